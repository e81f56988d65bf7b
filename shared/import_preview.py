"""What was understood of a logger's file, before anything is stored."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from shared.file_layout import FileError
from shared.heat.hand import BY_HAND
from shared.piles import Pile
from shared.ports import Registry
from shared.readings import Curve, SensorKey
from shared.times import HOUR, MINUTE, Millis, Span, iso, parse_time

if TYPE_CHECKING:
    from shared.reading_files import ReadingsFile

EARLIEST = parse_time("2000-01-01T00:00:00Z")
AHEAD_MS = 10 * MINUTE
LOW_C, HIGH_C = -30.0, 90.0  # outside these a pile's file is worth a second look (our choice)


@dataclass(frozen=True, slots=True)
class SensorPreview:
    probe: str
    depth: str
    count: int
    first_at: Millis | None
    last_at: Millis | None
    low_c: float | None
    high_c: float | None
    step_ms: int | None  # the usual time from one reading to the next
    faults: int


@dataclass(frozen=True, slots=True)
class Preview:
    """``refused``: readings before 2000 or more than ten minutes ahead of now. ``clash``: why it cannot be stored."""

    sensors: tuple[SensorPreview, ...]
    rows: int
    readings: int
    faults: int
    refused: int
    outside: int  # before the build or after the finish: kept, but no part of this pile
    repeats: int
    differing: int
    notes: tuple[str, ...]
    clash: str = ""


def as_one_probe(read: ReadingsFile, probe: str) -> ReadingsFile:
    """Every column a depth of one probe; FileError where two would become the same sensor."""
    renamed = {sensor: SensorKey(sensor.site, probe, sensor.depth) for sensor in read.curves}
    if len(set(renamed.values())) != len(renamed):
        depths = ", ".join(sorted(sensor.depth or "none" for sensor in read.curves))
        raise FileError(read.file, f"these columns cannot be depths of one probe; the depths are {depths}")
    return replace(
        read,
        curves={renamed[sensor]: curve for sensor, curve in read.curves.items()},
        faults={renamed[sensor]: count for sensor, count in read.faults.items()},
    )


def preview_of(registry: Registry, read: ReadingsFile, pile: Pile, now: Millis) -> Preview:
    good = {sensor: usable(curve, now) for sensor, curve in read.curves.items()}
    faults = sum(read.faults.values())
    stored = sum(len(curve) for curve in good.values())
    numbers = sum(len(curve) for curve in read.curves.values()) - faults
    outside = sum(_outside(curve, pile) for curve in good.values())
    sensors = tuple(
        _sensor(sensor, good[sensor], read.faults.get(sensor, 0))
        for sensor in sorted(good, key=lambda one: (one.probe, one.depth))
    )
    return Preview(
        sensors=sensors,
        rows=read.rows,
        readings=stored,
        faults=faults,
        refused=numbers - stored,
        outside=outside,
        repeats=read.repeats,
        differing=read.differing,
        notes=tuple(_notes(read, sensors, outside, numbers - stored)),
        clash=clash_of(registry, good, pile) if stored else "No usable reading is in this file.",
    )


def usable(curve: Curve, now: Millis) -> Curve:
    """Without what is no number and what is dated where no reading can be."""
    keep = np.isfinite(curve.value) & (curve.at >= EARLIEST) & (curve.at <= now + AHEAD_MS)
    return Curve(curve.at[keep], curve.value[keep], curve.mark[keep])


def spans_of(curves: dict[SensorKey, Curve]) -> dict[str, Span]:
    """By probe: from its first to its last reading."""
    found: dict[str, Span] = {}
    for probe in sorted({sensor.probe for sensor in curves}):
        times = [curve.at for sensor, curve in curves.items() if sensor.probe == probe and len(curve)]
        if times:
            first, last = min(int(at[0]) for at in times), max(int(at[-1]) for at in times)
            found[probe] = Span(Millis(first), Millis(last + 1))
    return found


def clash_of(registry: Registry, curves: dict[SensorKey, Curve], pile: Pile) -> str:
    """Which probe stood in another pile at that time; "" = none."""
    for probe, span in spans_of(curves).items():
        if probe == BY_HAND:
            return f"a probe cannot be called “{BY_HAND}”: give the column another name"
        for held in registry.probes.placements(site=pile.site, probe=probe):
            if held.pile_id != pile.id and held.span.overlaps(span):
                end = "now" if held.span.end is None else iso(held.span.end)
                other = registry.piles.get(held.pile_id).peg
                return f"probe {probe} stood in pile {other} from {iso(held.span.start)} to {end}; name it otherwise"
    return ""


def _outside(curve: Curve, pile: Pile) -> int:
    before = int((curve.at < pile.built_at).sum())
    after = 0 if pile.finished_at is None else int((curve.at > pile.finished_at).sum())
    return before + after


def _sensor(sensor: SensorKey, curve: Curve, faults: int) -> SensorPreview:
    some = len(curve) > 0
    return SensorPreview(
        probe=sensor.probe,
        depth=sensor.depth,
        count=len(curve),
        first_at=Millis(int(curve.at[0])) if some else None,
        last_at=Millis(int(curve.at[-1])) if some else None,
        low_c=float(curve.value.min()) if some else None,
        high_c=float(curve.value.max()) if some else None,
        step_ms=int(np.median(np.diff(curve.at))) if len(curve) > 1 else None,
        faults=faults,
    )


def _notes(read: ReadingsFile, sensors: Iterable[SensorPreview], outside: int, refused: int) -> Iterable[str]:
    if outside:
        yield f"{outside} readings lie before the build or after the finish: they are kept, and are no part of this pile."
    if refused:
        yield f"{refused} readings are dated before 2000 or ahead of now: they are left away."
    if read.differing:
        yield f"{read.differing} rows give a second, other value for an instant: the first one stays."
    if read.unordered:
        yield "The rows are not in order of time; that does no harm."
    for one in sensors:
        if one.low_c is not None and one.high_c is not None and (one.low_c < LOW_C or one.high_c > HIGH_C):
            yield (
                f"{one.probe}: from {one.low_c:.1f} to {one.high_c:.1f} °C. Is the unit right? What no pile reads is marked "
                "and left out of the sums."
            )
        if one.step_ms is not None and one.step_ms > 3 * HOUR:
            yield f"{one.probe}: readings are usually {one.step_ms / HOUR:.1f} h apart; longer than the longest line, they give no hours."
