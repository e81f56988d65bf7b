"""Readings from a logger's file into a pile: the same rows and placements as if a probe had sent them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from deploy.errors import UserError
from shared.ids import new_id
from shared.piles import Pile, Placement
from shared.ports import Conflict, NotFound, ReadingsStore, Registry
from shared.reading_files import ReadingsFile, read_readings
from shared.readings import ArrivalMark, Reading
from shared.times import MINUTE, Millis, Span, iso, parse_time

BATCH = 5_000
EARLIEST = parse_time("2000-01-01T00:00:00Z")
AHEAD_MS = 10 * MINUTE


@dataclass(frozen=True)
class Imported:
    """What an import did: ``refused`` are readings before 2000 or more than ten minutes ahead of now."""

    stored: int
    known: int
    refused: int
    faults: int
    probes: tuple[str, ...]
    placed: tuple[str, ...]


def find_pile(registry: Registry, wanted: str) -> Pile:
    """By id, or by peg where that names one open pile; raise UserError."""
    try:
        return registry.piles.get(wanted)
    except NotFound:
        same_peg = [pile for pile in registry.piles.all() if pile.peg == wanted]
        opened = [pile for pile in same_peg if pile.finished_at is None] or same_peg
        if len(opened) == 1:
            return opened[0]
        if opened:
            ids = ", ".join(f"{pile.id} ({pile.site}, built {iso(pile.built_at)})" for pile in opened)
            raise UserError(f"several piles are called {wanted}; name one by its id: {ids}") from None
        raise UserError(f"there is no pile {wanted}") from None


def import_file(
    registry: Registry,
    store: ReadingsStore,
    file: Path,
    pile: Pile,
    *,
    zone: str | None,
    now: Millis,
    progress: Callable[[int], None] | None = None,
) -> Imported:
    """Store what ``file`` holds and place its probes in ``pile`` for the time they cover.

    The same file twice stores nothing twice. Raises FileError, UserError, StorageError; what was stored stays.
    """
    read = read_readings(file, zone=zone, site=pile.site, progress=progress)
    placed = tuple(_place(registry, read, pile, now))
    readings = _readings(read, now)
    stored = total = 0
    while batch := list(islice(readings, BATCH)):
        total += len(batch)
        stored += store.append(batch).stored
    usable = sum(len(curve) for curve in read.curves.values())
    faults = sum(read.faults.values())
    return Imported(
        stored=stored,
        known=total - stored + read.repeats,
        refused=usable - faults - total,
        faults=faults,
        probes=tuple(sorted({sensor.probe for sensor in read.curves})),
        placed=placed,
    )


def _readings(read: ReadingsFile, now: Millis) -> Iterator[Reading]:
    for sensor, curve in read.curves.items():
        for at, value, mark in zip(curve.at.tolist(), curve.value.tolist(), curve.mark.tolist(), strict=True):
            if value == value and EARLIEST <= at <= now + AHEAD_MS:  # noqa: PLR0124 - a fault is NaN
                yield Reading(sensor, Millis(at), value, now, ArrivalMark(mark) | ArrivalMark.IMPORTED)


def _place(registry: Registry, read: ReadingsFile, pile: Pile, now: Millis) -> Iterator[str]:
    for probe in sorted({sensor.probe for sensor in read.curves}):
        times = [curve.at for sensor, curve in read.curves.items() if sensor.probe == probe and len(curve)]
        if not times:
            continue
        first, last = Millis(min(int(at[0]) for at in times)), Millis(max(int(at[-1]) for at in times))
        span = Span(first, Millis(last + 1))
        there = registry.probes.placements(site=pile.site, probe=probe)
        if any(held.pile_id == pile.id and held.span.overlaps(span) for held in there):
            continue
        try:
            registry.probes.place(
                Placement(new_id(now), pile.site, probe, pile.id, span, f"from {read.sha256[:8]}")
            )
        except Conflict as error:
            raise UserError(f"probe {probe} stood elsewhere at that time: {error}") from error
        yield probe
