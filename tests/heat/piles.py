"""Small piles for the tests of the sums: facts and curves in a few words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from shared.heat.facts import PileFacts
from shared.piles import Pile, Placement, Turn, Zone
from shared.readings import Curve, SensorKey
from shared.times import HOUR, MINUTE, Millis, Span

BUILT = Millis(1_700_000_000_000)
GAP = 180 * MINUTE


def sensor(depth: float | str = 45, probe: str = "P-01") -> SensorKey:
    return SensorKey("larkfield", probe, f"{depth}")


def curve(readings: Iterable[tuple[int, float]], marks: Mapping[int, int] | None = None) -> Curve:
    """Readings as (ms after the build, °C), in any order."""
    rows = sorted(readings)
    at = np.array([BUILT + at for at, _ in rows], dtype=np.int64)
    value = np.array([value for _, value in rows], dtype=np.float64)
    mark = np.array([(marks or {}).get(at, 0) for at, _ in rows], dtype=np.uint8)
    return Curve(at, value, mark)


def every(step_ms: int, *values: float, start: int = 0) -> Curve:
    return curve((start + index * step_ms, value) for index, value in enumerate(values))


def steady(hours: float, celsius: float, step_ms: int = HOUR, start_h: float = 0) -> list[tuple[int, float]]:
    """From ``start_h`` on for ``hours``, both ends included."""
    count = round(hours * HOUR / step_ms)
    return [(round(start_h * HOUR) + index * step_ms, celsius) for index in range(count + 1)]


def placed(
    probe: str = "P-01",
    start: int = 0,
    end: int | None = None,
    *,
    position: str = "middle",
    zone: Zone = "core",
) -> Placement:
    span = Span(Millis(BUILT + start), None if end is None else Millis(BUILT + end))
    return Placement(f"{probe}@{start}", "larkfield", probe, "pile", span, position, zone)


def turn(at: int) -> Turn:
    return Turn(f"turn@{at}", "pile", Millis(BUILT + at))


def facts(
    placements: Sequence[Placement] | None = None, turns: Sequence[int] = (), **of_pile: object
) -> PileFacts:
    pile = replace(Pile("pile", "larkfield", "K-01", BUILT), **of_pile)  # type: ignore[arg-type]  # a test's own
    return PileFacts(
        pile, tuple(placements if placements is not None else [placed()]), tuple(turn(at) for at in turns)
    )
