"""Readings out of the embedded store into another one."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from shared.ports import ReadingsStore
from shared.readings import ArrivalMark, Reading
from shared.stores import open_readings
from shared.times import DAY, Millis, Span

AT_ONCE = 5_000
_STRETCH = 90 * DAY
_WORD_EVERY = 100 * AT_ONCE


@dataclass
class Moved:
    stored: int = 0
    repeated: int = 0
    differing: int = 0


def move_readings(source: Path, target: ReadingsStore, now: Millis, on: Callable[[int], None]) -> Moved:
    """``source`` stays as it is; ``on`` is told now and then how many are done. StorageError passes through."""
    store, moved, done = open_readings(source), Moved(), 0
    try:
        rows = _all(store, now)
        while batch := list(islice(rows, AT_ONCE)):
            appended = target.append(batch)
            moved.stored += appended.stored
            moved.repeated += sum(appended.repeats.values())
            moved.differing += sum(appended.differing.values())
            done += len(batch)
            if done % _WORD_EVERY == 0:
                on(done)
    finally:
        store.close()
    return moved


def _all(store: ReadingsStore, now: Millis) -> Iterator[Reading]:
    """Sensor by sensor, ascending: nothing has to be looked up that came before."""
    for one in store.sensors():
        for start in range(one.first_at, one.last_at + 1, _STRETCH):
            curve = store.read(one.sensor, Span(Millis(start), Millis(start + _STRETCH)))
            for at, value, mark in zip(
                curve.at.tolist(), curve.value.tolist(), curve.mark.tolist(), strict=True
            ):
                yield Reading(one.sensor, Millis(at), value, now, ArrivalMark(mark))
