"""The simulated yard: piles that heat, probes that report, turns that people make."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from deploy.larkfield import DAYS, DUE_SOON, PILES, DemoPile
from shared.heat.guide import Guide
from shared.pile_model.probes import SimulatedProbe
from shared.pile_model.simulation import Simulation
from shared.pile_model.weather import STEP_S, draw_weather
from shared.times import DAY, HOUR, Millis

STEP_MS = STEP_S * 1000
EVERY_STEPS = 2  # the probes report every 10 minutes
STEPS_PER_DAY = DAY // STEP_MS
DUE_LOAD = 0.995  # the demo opens with this much of the guide's load on the pile that is about to be due
LONGEST_WAIT_DAYS = 3.0


@dataclass(frozen=True)
class Sample:
    """What one probe measured at one instant, °C by depth."""

    pile: DemoPile
    at: Millis
    celsius: dict[float, float]
    battery_percent: float
    rssi_dbm: float


class Yard:
    """All piles in one simulation. ``start`` is local midnight of day 0; every instant follows from the step."""

    def __init__(self, start: Millis, seed: int) -> None:
        self.start = start
        rng = np.random.default_rng(seed)
        parameters = [pile.parameters(rng) for pile in PILES]
        weather = draw_weather(DAYS + 200.0, rng, mean_c=11.0)
        self.simulation = Simulation(parameters, weather)
        self.probes = [
            SimulatedProbe(pile.probe, number, pile.depths_cm, np.random.default_rng([seed, number]))
            for number, pile in enumerate(PILES)
        ]
        self._rng = rng
        self._plan = _plan()

    @property
    def now(self) -> Millis:
        return self.at(self.simulation.step_index)

    def at(self, step: int) -> Millis:
        return Millis(self.start + step * STEP_MS)

    def day(self, day: float) -> Millis:
        """The instant of a scenario day, on a whole step."""
        return self.at(round(day * STEPS_PER_DAY))

    def advance(self) -> Iterator[Sample]:
        """One step of every pile; the samples that fell due at its end."""
        for number, what in self._plan.get(self.simulation.step_index, ()):
            if what == "build":
                self.simulation.rebuild(number)
            else:
                self.turn(number)
        self.simulation.step()
        if self.simulation.step_index % EVERY_STEPS == 0:
            for number, pile in enumerate(PILES):
                if self._stands(pile):
                    yield self._sample(number, pile)

    def turn(self, number: int) -> None:
        self.simulation.turn(number, water_to=None if PILES[number].trouble == "dry" else 0.56)
        self.probes[number].replaced_after_a_turn()

    def water(self, number: int) -> None:
        self.simulation.wet(number, 0.58)

    def _stands(self, pile: DemoPile) -> bool:
        step = self.simulation.step_index
        built = step > round(pile.built_day * STEPS_PER_DAY)
        return built and (pile.finished_day is None or step < round(pile.finished_day * STEPS_PER_DAY))

    def _sample(self, number: int, pile: DemoPile) -> Sample:
        age_days = self.simulation.step_index / STEPS_PER_DAY - pile.built_day
        battery = max(0.0, pile.battery_percent + 0.25 * (DAYS - pile.built_day - age_days))
        signal = -88.0 + float(self._rng.normal(0.0, 3.0))
        return Sample(pile, self.now, self.probes[number].read(self.simulation), min(battery, 100.0), signal)


def _plan() -> dict[int, list[tuple[int, str]]]:
    plan: dict[int, list[tuple[int, str]]] = {}
    for number, pile in enumerate(PILES):
        plan.setdefault(round(pile.built_day * STEPS_PER_DAY), []).append((number, "build"))
        for turn in pile.turns:
            plan.setdefault(round(turn.day * STEPS_PER_DAY), []).append((number, "turn"))
    return plan


def history(yard: Yard, guide: Guide) -> list[Sample]:
    """Run the yard up to the demo's present: the instant when the pile ``DUE_SOON`` has nearly its full turn load."""
    samples: list[Sample] = []
    last_turn = round(max(turn.day for turn in _due_soon().turns) * STEPS_PER_DAY)
    load = 0.0
    stop = round((DAYS + LONGEST_WAIT_DAYS) * STEPS_PER_DAY)
    while load < DUE_LOAD and yard.simulation.step_index < stop:
        for sample in yard.advance():
            samples.append(sample)
            if sample.pile.peg == DUE_SOON and yard.simulation.step_index > last_turn:
                hold_h = guide.hold_h(max(sample.celsius.values()))
                load += EVERY_STEPS * STEP_MS / HOUR / hold_h if hold_h else 0.0
    return samples


def _due_soon() -> DemoPile:
    return next(pile for pile in PILES if pile.peg == DUE_SOON)
