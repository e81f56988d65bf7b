"""Thins the embedded readings store by age, in short steps that a kill at any moment leaves whole."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray

from api.document_hash import data_hash
from deploy.errors import UserError
from deploy.house import House
from shared.heat.engine import ASKED_OF_THE_CORE
from shared.heat.exposure import KNOWN
from shared.ports import SensorSummary
from shared.put_away import put_away
from shared.readings import SensorKey
from shared.stays import Stay, by_day, stays, without
from shared.stores.readings_sqlite import SqliteReadings
from shared.stores.readings_thin import Piece
from shared.thinned_curve import kept
from shared.times import DAY, Millis, Span

AT_ONCE = 10_000
"""Readings looked at for one transaction: the ingester waits for its end."""
AT_MOST = 5_000_000
"""Readings that go in one night; the rest goes in the next ones."""
EDGE_MS = DAY
"""What is thinned ends at a whole day of UTC."""


@dataclass
class Tally:
    """``by_pile``: readings that went (or would go) and that were looked at; "" = of no batch."""

    gone: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    seen: dict[str, int] = field(default_factory=lambda: defaultdict(int))

    @property
    def total(self) -> int:
        return sum(self.gone.values())


def thinnable(house: House) -> SqliteReadings:
    """Raise UserError where there is nothing for us to thin."""
    if not isinstance(house.readings, SqliteReadings):
        raise UserError(
            "the readings are in a far store, which thins and forgets by its own settings; see the guide 'Keeping it for "
            "years'"
        )
    return house.readings


def thin(
    house: House,
    *,
    dry_run: bool = False,
    at_most: int = AT_MOST,
    go_on: Callable[[], bool] = lambda: True,
) -> Tally:
    """Thin what [keeping] asks for, the coarsest first. ``go_on`` is asked before each short transaction.

    What was begun and not ended goes on the next time. ``dry_run`` changes nothing. StorageError passes through.
    """
    store, now, tally = thinnable(house), house.clock.now(), Tally()
    done: dict[SensorKey, list[Span]] = defaultdict(list)
    for bucket_ms, age_ms in house.settings.keeping.levels:
        older_than = Millis((now - age_ms) // EDGE_MS * EDGE_MS)
        pending: list[Piece] = []
        looked_at = 0
        for piece, rows in _pieces(house, store, bucket_ms, older_than, done, dry_run=dry_run):
            tally.seen[piece.pile] += rows
            tally.gone[piece.pile] += len(piece.gone)
            if dry_run:
                continue
            pending.append(piece)
            looked_at += rows + 1
            if looked_at >= AT_ONCE:
                if not go_on():
                    return tally
                store.thin(pending)
                pending, looked_at = [], 0
                if tally.total >= at_most:
                    return tally
        if pending and go_on():
            store.thin(pending)
    return tally


def _pieces(
    house: House,
    store: SqliteReadings,
    bucket_ms: int,
    older_than: Millis,
    done: dict[SensorKey, list[Span]],
    *,
    dry_run: bool,
) -> Iterator[tuple[Piece, int]]:
    """Each with the number of readings in it: first nobody's, day by day over all sensors, then pile by pile.

    ``done``: what a coarser level of this run has taken on; this one is added.
    """
    for sensor, thinned in store.thinned_stretches(bucket_ms).items():
        done[sensor] = sorted([*done[sensor], *thinned], key=lambda span: span.start)
    free: list[tuple[SensorKey, Span]] = []
    owned: dict[str, list[tuple[SensorKey, Span]]] = defaultdict(list)
    for key, stay in _stays(house, store.sensors(), older_than):
        for span in without(stay.span, done[key]):
            (owned[stay.pile] if stay.pile else free).append((key, span))
    for sensor, span in chain(free, *owned.values()):
        done[sensor].append(span)
    yield from _nobodys(store, free, bucket_ms)
    for pile_id, spans in owned.items():
        yield from _of_pile(house, pile_id, spans, bucket_ms, dry_run=dry_run)


def _stays(
    house: House, sensors: list[SensorSummary], older_than: Millis
) -> Iterator[tuple[SensorKey, Stay]]:
    piles = {pile.id: pile for pile in house.registry.piles.all()}
    placements = defaultdict(list)
    for placed in house.registry.probes.placements():
        placements[placed.site, placed.probe].append(placed)
    for one in sensors:
        key = one.sensor
        reach = Span(one.first_at, Millis(one.last_at + 1))
        sums = key.quantity == "temperature"
        for stay in stays(placements[key.site, key.probe], piles, reach, older_than, sums=sums):
            yield key, stay


def _nobodys(
    store: SqliteReadings, spans: list[tuple[SensorKey, Span]], bucket_ms: int
) -> Iterator[tuple[Piece, int]]:
    """All sensors of one day lie on the same pages of the file, so they go together."""
    days: dict[int, list[tuple[SensorKey, Span]]] = defaultdict(list)
    for sensor, span in spans:
        for day in by_day(span):
            days[day.start // DAY].append((sensor, day))
    for number in sorted(days):
        whole = Span(Millis(number * DAY), Millis((number + 1) * DAY))
        curves = store.read_many({sensor for sensor, _ in days[number]}, whole)
        for sensor, span in days[number]:
            curve = curves[sensor]
            some = slice(*curve.at.searchsorted([span.start, span.end or 0]))
            at = curve.at[some]
            stay = kept(at, curve.value[some], bucket_ms)
            yield Piece(sensor, span, "", bucket_ms, at[~stay]), len(at)


def _of_pile(
    house: House, pile_id: str, spans: list[tuple[SensorKey, Span]], bucket_ms: int, *, dry_run: bool
) -> Iterator[tuple[Piece, int]]:
    if not dry_run:
        _put_the_whole_record_away(house, pile_id)
    thresholds = _thresholds(house)
    goes: dict[SensorKey, list[NDArray[np.int64]]] = defaultdict(list)
    rows: dict[SensorKey, list[NDArray[np.int64]]] = defaultdict(list)
    for line in house.book.lines(pile_id):
        at, good = line.rows.at, line.rows.reason == 0
        rows[line.key].append(at.copy())
        for some in (good, ~good):
            stay = kept(at[some], line.rows.celsius[some], bucket_ms, thresholds=thresholds, cuts=line.cuts)
            goes[line.key].append(at[some][~stay])
    pieces = sorted(
        ((sensor, day) for sensor, span in spans for day in by_day(span)), key=lambda one: one[1].start
    )
    for sensor, span in pieces:
        gone, seen = (
            np.sort(
                np.concatenate([one[(one >= span.start) & (one < (span.end or 0))] for one in found[sensor]])
            )
            if found[sensor]
            else np.empty(0, dtype=np.int64)
            for found in (goes, rows)
        )
        yield Piece(sensor, span, pile_id, bucket_ms, gone), len(seen)


def _put_the_whole_record_away(house: House, pile_id: str) -> None:
    """Before anything of the pile goes; once something has gone, what was put away stays as it is."""
    if house.book.thinned(pile_id) is None:
        put_away(house.registry, house.book.whole_record(pile_id, house.clock.now(), data_hash))


def _thresholds(house: House) -> list[float]:
    """Every temperature that a report, a rule or a guide asks about."""
    told: list[Any] = [
        one.model_dump() for one in (*house.catalogue.rules.values(), *house.catalogue.guides.values())
    ]
    found = {one for one in ASKED_OF_THE_CORE if one != KNOWN}
    while told:
        one = told.pop()
        if isinstance(one, dict):
            found |= {
                float(value)
                for key, value in one.items()
                if key.endswith("_c") and isinstance(value, int | float)
            }
            told += one.values()
        elif isinstance(one, list | tuple):
            told += one
    return sorted(found)
