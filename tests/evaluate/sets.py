"""The records that the evaluation runs on: simulated piles of seeds that nothing was tuned on, and the real stockpile.

Figures of the outlook and of the turn finder were chosen on seeds below ``TUNED_BELOW``; the evaluation begins above.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from shared.pile_model import physics
from shared.pile_model.field import STEP_MS, FieldHabits, FieldRecord, field_records
from shared.pile_model.parameters import Geometry
from shared.pile_model.simulation import Activity
from shared.reading_files import read_readings
from shared.times import DAY, HOUR, MINUTE, Millis, parse_time

TUNED_BELOW = 10_000
FIRST_SEED = 910_001
BASE = Millis(20_000 * DAY)
LITTER = Path(__file__).parents[1] / "cases" / "broiler-litter-2023" / "pile_temperatures.csv"
LITTER_AIR = LITTER.with_name("weather.csv")
LITTER_BUILT = parse_time("2023-08-29T09:30:00+02:00")

Points = tuple[NDArray[np.int64], NDArray[np.float64]]


@dataclass(frozen=True)
class Record:
    """One pile as the program sees it. ``curves``: (probe, depth) -> instants in ms and °C."""

    name: str
    built_at: Millis
    curves: dict[tuple[str, str], Points]
    turns: tuple[Millis, ...]
    simulated: bool = True

    def thinned(self, every_min: int) -> Record:
        """The same pile, measured less often."""
        every = every_min * MINUTE // STEP_MS
        kept = {
            key: ((at - self.built_at) // STEP_MS - 1) % every == 0 for key, (at, _) in self.curves.items()
        }
        return replace(
            self, curves={key: (at[kept[key]], c[kept[key]]) for key, (at, c) in self.curves.items()}
        )

    def only(self, rank: int) -> Record:
        """One sensor alone, counted from the shallowest; -1: the deepest, in the core."""
        sensor = sorted(self.curves, key=lambda one: float(one[1]))[rank]
        return replace(self, curves={sensor: self.curves[sensor]})


def ratkowsky(t: NDArray[np.float64], t_max: NDArray[np.float64]) -> NDArray[np.float64]:
    """A third kinetics, 0-1: the square-root model of Ratkowsky et al. 1983 (from memory, unverified), from 5 °C to
    2 K over ``t_max``, scaled to 1 at its top; the second heat balance of the outlook assumes this shape too."""
    span = np.maximum(t_max + 2.0 - 5.0, 1.0)
    x = np.clip((t - 5.0) / span, 0.0, 1.0)
    bend = 12.0
    grid = np.linspace(0.0, 1.0, 2001)
    top = float(np.max((grid * (1.0 - np.exp(bend * (grid - 1.0)))) ** 2))
    rate: NDArray[np.float64] = (x * (1.0 - np.exp(bend * (x - 1.0)))) ** 2 / top
    return rate


KINETICS: dict[str, Activity] = {
    "cardinal": physics.activity,
    "Haug": physics.activity_haug,
    "Ratkowsky": ratkowsky,
}


def simulated(
    geometry: Geometry, kinetics: str, piles: int, days: int, seed: int, every_min: int = 10
) -> list[Record]:
    habits = FieldHabits(every_min=every_min)
    made = field_records(geometry, piles, days, seed, habits, activity=KINETICS[kinetics])
    return [_record(f"{geometry} {kinetics} {seed}/{number}", one) for number, one in enumerate(made)]


def _record(name: str, made: FieldRecord) -> Record:
    curves = {("P", f"{depth:g}"): (at + BASE, celsius) for depth, (at, celsius) in made.curves.items()}
    return Record(name, BASE, curves, tuple(Millis(at + BASE) for at, _ in made.turns))


def litter() -> Iterator[Record]:
    """The heap as a whole, then each place as a pile of its own. Never turned; the day of its removal is cut off."""
    last = parse_time("2023-10-11T00:00:00Z")
    curves = {
        (key.probe, key.depth): (curve.at[curve.at < last], curve.value[curve.at < last])
        for key, curve in read_readings(LITTER).curves.items()
    }
    yield Record("litter, all twelve", LITTER_BUILT, curves, (), simulated=False)
    for place in sorted({probe for probe, _ in curves}):
        mine = {key: points for key, points in curves.items() if key[0] == place}
        yield Record(f"litter, {place}", LITTER_BUILT, mine, (), simulated=False)


def litter_air(hours: int) -> NDArray[np.float64]:
    """The air beside the heap in each whole hour from its building on, °C; NaN where it is not known."""
    air = np.full(hours, np.nan)
    with LITTER_AIR.open(newline="") as lines:
        for row in csv.DictReader(lines):
            hour = (parse_time(row["time"]) - LITTER_BUILT) // HOUR
            if 0 <= hour < hours and row["air_celsius"]:
                air[hour] = float(row["air_celsius"])
    return air
