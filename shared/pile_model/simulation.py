"""Steps many piles at once through their heat balance."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from shared.pile_model import physics
from shared.pile_model.parameters import PileParameters
from shared.pile_model.weather import STEP_S, Weather

Activity = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]

SHELLS = 14
STATES = ("water", "fast", "slow", "inert", "biomass")
DAY_S = 86400.0
GROWTH_D = 1.5  # growth of the active biomass at the optimum, per day; tuned to days-to-55
DEATH_D_K = 0.35  # its loss per day and kelvin above 72 °C; choice


class Simulation:
    """State arrays have shape (piles, 14 shells from the centre out). Advance with ``step`` (300 s each)."""

    def __init__(
        self,
        piles: Sequence[PileParameters],
        weather: Weather,
        *,
        first_step: int = 0,
        activity: Activity = physics.activity,
    ) -> None:
        """``activity``: 0-1 from the temperature and the upper limit of life; another one is another biology."""
        self.weather, self.step_index, self._activity = weather, first_step, activity
        self.radius = np.array([pile.radius_m for pile in piles])
        power = np.array([2 if pile.geometry == "caged" else 1 for pile in piles])[:, None]
        edges = np.linspace(0.0, 1.0, SHELLS + 1)[None, :] * self.radius[:, None]
        self.width = self.radius / SHELLS
        self.volume = edges[:, 1:] ** (power + 1) - edges[:, :-1] ** (power + 1)  # up to a constant factor
        self.area = (power + 1) * edges[:, 1:] ** power  # outer face of each shell, same factor
        self.depth = self.radius[:, None] - (edges[:, 1:] + edges[:, :-1]) / 2
        self._read_parameters(piles)
        self.permeability = np.ones(len(piles))

    def _read_parameters(self, piles: Sequence[PileParameters]) -> None:
        def column(name: str) -> NDArray[np.float64]:
            return np.array([float(getattr(pile, name)) for pile in piles])[:, None]

        whole = np.ones((1, SHELLS))
        dry = column("dry_matter_kg_m3") * whole
        degradable = dry * column("volatile_share") * column("degradable_share")
        self.fast = degradable * column("fast_share")
        self.slow = degradable - self.fast
        self.inert = dry - degradable
        moisture = column("moisture") * whole
        self.water = dry * moisture / (1.0 - moisture)
        air = self.weather.at(self.step_index)[0]
        self.t = np.full(dry.shape, air + 3.0)
        self.biomass = np.full(dry.shape, 0.25)
        self._fresh = {name: getattr(self, name).copy() for name in STATES}
        self.k_fast, self.k_slow = column("k_fast_d") / DAY_S, column("k_slow_d") / DAY_S
        self.t_max, self.chemical = column("t_max_c"), column("chemical_w_m3_80")
        self.ventilation = column("ventilation_kg_s_m3")
        self.skin = column("skin_w_m2k")[:, 0]
        self.mixing, self.cooling = column("turn_mixing"), column("turn_cooling")
        self.skin_reach = column("skin_air_kg_s_m3") * np.exp(-self.depth / 0.15)
        self.settled = np.exp(-STEP_S / (column("settling_days")[:, 0] * DAY_S))
        self.outer_volume = self.volume[:, -4:].sum(axis=1)

    @property
    def moisture(self) -> NDArray[np.float64]:
        """Wet basis, 0-1, shape (piles, shells)."""
        dry = self.inert + self.fast + self.slow
        return np.asarray(self.water / (self.water + dry))

    def step(self) -> None:
        """Advance every pile by 300 s."""
        air_c, wind, rain = self.weather.at(self.step_index)
        dry = self.inert + self.fast + self.slow
        moisture = self.water / (self.water + dry)
        free = physics.air_space(dry, self.water)
        air_flow = self._air_flow(free, air_c, wind)
        wetness = physics.moisture_factor(moisture)
        warmth = self._activity(self.t, self.t_max)
        potential = warmth * wetness * physics.air_space_factor(free) * self.biomass
        full = (self.k_fast * self.fast + self.k_slow * self.slow) * potential
        oxygen = physics.oxygen_percent(air_flow, physics.OXYGEN_PER_KG * full)
        aeration = oxygen / (2.0 + oxygen)
        reacted = full * aeration

        vapour_in = 0.7 * physics.saturation_ratio(air_c)
        wet_surface = physics.between(moisture / 0.30, 0.0, 1.0)
        evaporated = np.maximum(
            air_flow * (physics.saturation_ratio(self.t) * wet_surface - vapour_in), -1e-5
        )
        condensed = self._condensed(evaporated)
        source = (
            physics.HEAT_OF_REACTION * reacted
            + physics.chemical_heat(self.t, self.chemical)
            * physics.between((0.60 - moisture) / 0.15, 0.0, 1.0)
            - air_flow * physics.AIR_HEAT * (self.t - air_c)
            - physics.LATENT_HEAT * (evaporated - condensed)
        )
        flow = self._conducted(dry, air_c, wind, rain)
        self.t = self.t + STEP_S * (flow + source) / physics.heat_capacity(dry, self.water)

        share = np.divide(reacted, full, out=np.zeros_like(full), where=full > 0) * potential
        self.fast = self.fast * (1.0 - STEP_S * self.k_fast * share)
        self.slow = self.slow * (1.0 - STEP_S * self.k_slow * share)
        growth = GROWTH_D / DAY_S * (warmth + 0.06) * aeration * wetness * self.biomass * (1.0 - self.biomass)
        death = DEATH_D_K / DAY_S * np.maximum(0.0, self.t - 72.0) * self.biomass
        self.biomass = physics.between(self.biomass + STEP_S * (growth - death), 0.01, 1.0)
        soaked = np.zeros_like(self.water)
        soaked[:, -4:] = 0.3 * rain / 3600.0 / (4 * self.width[:, None])
        self.water = np.maximum(
            1.0, self.water + STEP_S * (condensed - evaporated + physics.WATER_PER_KG * reacted + soaked)
        )
        self.permeability = 0.35 + (self.permeability - 0.35) * self.settled
        self.step_index += 1

    def _air_flow(self, free: NDArray[np.float64], air_c: float, wind: float) -> NDArray[np.float64]:
        buoyant = (
            self.ventilation
            * (free / 0.55) ** 3
            * self.permeability[:, None]
            * np.maximum(self.t - air_c + 3.0, 0.5)
            / 40.0
        )
        windy = self.skin_reach * (1.0 + 0.15 * (wind - 2.0)) * free / 0.55
        flow: NDArray[np.float64] = np.maximum(buoyant + windy, 1e-7)
        return flow

    def _condensed(self, evaporated: NDArray[np.float64]) -> NDArray[np.float64]:
        """A quarter of the vapour from within settles again in the four outer shells."""
        vapour = 0.25 * (np.maximum(evaporated[:, :-4], 0.0) * self.volume[:, :-4]).sum(axis=1)
        condensed = np.zeros_like(evaporated)
        condensed[:, -4:] = (vapour / self.outer_volume)[:, None]
        return condensed

    def _conducted(
        self, dry: NDArray[np.float64], air_c: float, wind: float, rain: float
    ) -> NDArray[np.float64]:
        """W/m3 into each shell by conduction, the skin included."""
        conductivity = physics.conductivity(dry, self.water)
        between = (
            2.0 * conductivity[:, :-1] * conductivity[:, 1:] / (conductivity[:, :-1] + conductivity[:, 1:])
        )
        outward = np.empty_like(self.t)
        outward[:, :-1] = between * self.area[:, :-1] * (self.t[:, :-1] - self.t[:, 1:]) / self.width[:, None]
        film = self.skin * (0.5 + 0.25 * wind) + (6.0 if rain > 0 else 0.0)
        skin = 1.0 / (1.0 / film + self.width / 2.0 / conductivity[:, -1])
        outward[:, -1] = skin * self.area[:, -1] * (self.t[:, -1] - air_c)
        inward = np.zeros_like(outward)
        inward[:, 1:] = outward[:, :-1]
        return np.asarray((inward - outward) / self.volume)

    def rebuild(self, pile: int) -> None:
        """Begin this pile anew, as if it were built now from the mix it was drawn with."""
        for name, state in self._fresh.items():
            getattr(self, name)[pile] = state[pile]
        self.t[pile] = self.weather.at(self.step_index)[0] + 3.0
        self.permeability[pile] = 1.0

    def turn(self, pile: int, *, water_to: float | None = None) -> None:
        """Turn one pile now: mix, cool, open the pores; ``water_to`` also wets it to that moisture."""
        dry = self.inert[pile] + self.fast[pile] + self.slow[pile]
        capacity = physics.heat_capacity(dry, self.water[pile])
        weight = self.volume[pile] / self.volume[pile].sum()
        hot = weight * capacity / (weight * capacity).sum()
        keep, mixing = 1.0 - self.mixing[pile, 0], self.mixing[pile, 0]
        self.t[pile] = keep * self.t[pile] + mixing * float((hot * self.t[pile]).sum())
        for name in STATES:
            state = getattr(self, name)[pile]
            getattr(self, name)[pile] = keep * state + mixing * float((weight * state).sum())
        air_c = self.weather.at(self.step_index)[0]
        lost = self.cooling[pile, 0] * (self.t[pile] - air_c)
        self.t[pile] -= lost
        self.water[pile] = np.maximum(1.0, self.water[pile] - 0.6 * lost * capacity / physics.LATENT_HEAT)
        self.permeability[pile] = 1.0
        if water_to is not None:
            self.wet(pile, water_to)

    def wet(self, pile: int, moisture: float) -> None:
        """Water one pile evenly up to ``moisture`` (wet basis); what is wetter already stays."""
        dry = self.inert[pile] + self.fast[pile] + self.slow[pile]
        self.water[pile] = np.maximum(self.water[pile], dry * moisture / (1.0 - moisture))

    def celsius(self, pile: int, depth_cm: float) -> float:
        """Temperature that far below the surface (straight line between shell centres)."""
        depths = self.depth[pile][::-1]
        return float(np.interp(depth_cm / 100.0, depths, self.t[pile][::-1]))

    def shares(self, depths_cm: Sequence[float]) -> NDArray[np.float64]:
        """How much each shell counts at each depth, shape (piles, depths, shells): ``celsius`` of all at once is
        ``einsum("pds,ps->pd", shares, t)``."""
        unit = np.eye(SHELLS)
        return np.array(
            [
                [[np.interp(cm / 100.0, depth[::-1], one[::-1]) for one in unit] for cm in depths_cm]
                for depth in self.depth
            ]
        )
