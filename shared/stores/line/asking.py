"""Which sensors are asked for together: groups that a question can name in few words, in pieces of bounded size."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import NamedTuple

from shared.readings import SensorKey
from shared.times import HOUR, MINUTE

READINGS_AT_ONCE = 200_000
"""That one answer may hold, so that it never fills the memory."""
_BUSIEST_MS = MINUTE
"""Between two readings of a sensor of which nothing else is known."""


class Group(NamedTuple):
    """Every probe with every depth is a sensor that is wanted, and no other."""

    site: str
    quantity: str
    probes: list[str]
    depths: list[str]


def groups(sensors: Iterable[SensorKey]) -> list[Group]:
    depths: dict[tuple[str, str, str], set[str]] = defaultdict(set)
    for sensor in sensors:
        depths[sensor.site, sensor.quantity, sensor.probe].add(sensor.depth)
    alike: dict[tuple[str, str, tuple[str, ...]], list[str]] = defaultdict(list)
    for (site, quantity, probe), found in depths.items():
        for some in (found & {""}, found - {""}):  # a label that is not there is asked for in other words
            if some:
                alike[site, quantity, tuple(sorted(some))].append(probe)
    return [Group(site, quantity, probes, list(some)) for (site, quantity, some), probes in alike.items()]


def pieces(readings: Mapping[SensorKey, int], sensors_at_once: int) -> Iterator[list[SensorKey]]:
    """``readings``: how many are expected of each."""
    piece: list[SensorKey] = []
    total = 0
    for sensor, count in sorted(readings.items()):
        if piece and (len(piece) == sensors_at_once or total + count > READINGS_AT_ONCE):
            yield piece
            piece, total = [], 0
        piece.append(sensor)
        total += count
    if piece:
        yield piece


class Question(NamedTuple):
    start: int
    end: int
    sensors: list[SensorKey]


def questions(wanted: Mapping[SensorKey, Collection[int]], sensors_at_once: int) -> Iterator[Question]:
    """Few that reach all these instants: sensors whose instants begin and end in the same hours go together."""
    alike: dict[tuple[int, int], list[SensorKey]] = defaultdict(list)
    for sensor, instants in wanted.items():
        alike[min(instants) // HOUR, max(instants) // HOUR].append(sensor)
    for (first, last), sensors in alike.items():
        busiest = (last + 1 - first) * HOUR // _BUSIEST_MS
        for piece in pieces(dict.fromkeys(sensors, busiest), sensors_at_once):
            start = min(min(wanted[sensor]) for sensor in piece)
            yield Question(start, max(max(wanted[sensor]) for sensor in piece) + 1, piece)
