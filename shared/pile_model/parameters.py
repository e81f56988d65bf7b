"""What one simulated pile is made of. Ranges: choices within the literature named beside them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

Geometry = Literal["caged", "windrow"]


@dataclass(frozen=True, slots=True)
class PileParameters:
    """Densities in kg per m3 of pile, rates per day, temperatures in °C."""

    geometry: Geometry  # caged: sphere of equal volume; windrow: cylinder
    radius_m: float
    dry_matter_kg_m3: float  # 150-210, choice
    moisture: float  # wet basis, 0-1; window from memory, unverified
    volatile_share: float  # of dry matter; from memory, unverified
    degradable_share: float  # of volatile solids; from memory, unverified
    fast_share: float  # of the degradable; from memory, unverified
    k_fast_d: float  # tuned to the acceptance in tests/pile_model
    k_slow_d: float  # tuned; order of magnitude of Haug's k20, from memory, unverified
    t_max_c: float  # upper limit of the thermophiles; sets the plateau; tuned
    ventilation_kg_s_m3: float  # buoyant air, tuned
    skin_air_kg_s_m3: float  # wind through the outer layer, tuned
    skin_w_m2k: float  # 5-12, choice
    turn_mixing: float  # share of the pile that a turn redistributes, tuned
    turn_cooling: float  # share of (T - air) that a turn loses, tuned
    settling_days: float  # pores close again after a turn, 4-8, choice
    chemical_w_m3_80: float = (
        0.0  # heat of chemical oxidation at 80 °C; > 0 only in the branch that overheats
    )


def draw(geometry: Geometry, rng: np.random.Generator) -> PileParameters:
    """One ordinary pile of this kind, drawn within the ranges."""

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    caged = geometry == "caged"
    return PileParameters(
        geometry=geometry,
        radius_m=between(0.58, 0.70) if caged else between(0.95, 1.25),
        dry_matter_kg_m3=between(150, 210),
        moisture=between(0.54, 0.64),
        volatile_share=between(0.78, 0.90),
        degradable_share=between(0.50, 0.65),
        fast_share=between(0.32, 0.48),
        k_fast_d=between(0.28, 0.46),
        k_slow_d=between(0.020, 0.034),
        t_max_c=between(68, 75),
        ventilation_kg_s_m3=between(3.5e-4, 7e-4),
        skin_air_kg_s_m3=between(1.5e-4, 3.5e-4),
        skin_w_m2k=between(5, 12),
        turn_mixing=between(0.75, 0.97),
        turn_cooling=between(0.06, 0.20) if caged else between(0.15, 0.32),
        settling_days=between(4, 8),
    )


def too_dry(pile: PileParameters) -> PileParameters:
    """Never gets going for lack of water."""
    return replace(pile, moisture=0.25)


def too_wet(pile: PileParameters) -> PileParameters:
    """Waterlogged and dense: no air, little heat."""
    return replace(pile, moisture=0.745, dry_matter_kg_m3=220.0)


def overheating(pile: PileParameters) -> PileParameters:
    """Large, dryish and starved of air, heat-tolerant biology and a chemical source on top.

    As a windrow it stays above 72 °C, dries, and after about two weeks without a turn runs away.
    """
    return replace(
        pile,
        radius_m=max(pile.radius_m, 1.4) if pile.geometry == "windrow" else pile.radius_m,
        t_max_c=83.0,
        dry_matter_kg_m3=205.0,
        moisture=0.47,
        volatile_share=0.88,
        degradable_share=0.62,
        k_fast_d=0.40,
        k_slow_d=0.032,
        fast_share=0.50,
        ventilation_kg_s_m3=1.4e-4,
        skin_air_kg_s_m3=1.5e-4,
        chemical_w_m3_80=500.0,
    )
