"""Curves out of the far store with the spool over them, as one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from sqlalchemy import RowMapping

from shared.ports import StoreBusy
from shared.readings import Curve, SensorKey
from shared.stores.line import book, spool
from shared.stores.line.asking import pieces
from shared.stores.line.protocol import merged
from shared.times import Span

if TYPE_CHECKING:
    from shared.stores.line.store import LineReadings

_TRIES = 5
_Row = RowMapping  # of the book


def read_many(store: LineReadings, sensors: Iterable[SensorKey], span: Span) -> dict[SensorKey, Curve]:
    """The far store is asked for many sensors at once. Those of which readings left the spool between the two answers
    are asked for again; StoreBusy when that does not end."""
    found = {sensor: Curve() for sensor in sensors}
    left = list(found)
    for _ in range(_TRIES):
        left = [sensor for piece in _pieces(store, left, span) for sensor in _read(store, piece, span, found)]
        if not left:
            return found
    raise StoreBusy("reading curves: readings keep moving to the far store; ask again")


def _pieces(store: LineReadings, sensors: Sequence[SensorKey], span: Span) -> list[dict[SensorKey, _Row]]:
    """Of those that have readings in the span, what the book says, in pieces of bounded size."""
    with store.work.read("reading curves") as connection:
        rows = book.find_many(connection, sensors)
    expected = {sensor: _expected(row, span) for sensor, row in rows.items()}
    return [
        {sensor: rows[sensor] for sensor in piece}
        for piece in pieces({one: n for one, n in expected.items() if n}, store.remote.sensors_at_once)
    ]


def _expected(row: _Row, span: Span) -> int:
    """As if they were evenly spread."""
    start, end = _reach([row], span)
    whole = row["last_at"] + 1 - row["first_at"]
    return -(-row["count"] * (end - start) // whole) if end > start else 0


def _reach(rows: Iterable[_Row], span: Span) -> tuple[int, int]:
    rows = list(rows)
    start = max(span.start, min(row["first_at"] for row in rows))
    end = max(row["last_at"] for row in rows) + 1
    return start, end if span.end is None else min(span.end, end)


def _read(
    store: LineReadings, rows: Mapping[SensorKey, _Row], span: Span, found: dict[SensorKey, Curve]
) -> list[SensorKey]:
    """Adds to ``found``; gives those that are to be asked for again."""
    start, end = _reach(rows.values(), span)
    moved = [
        sensor
        for sensor, row in rows.items()
        if row["released_to"] is not None and row["released_to"] >= start
    ]
    far = store.remote.curves(start, end, moved)
    ids = [row["id"] for row in rows.values()]
    with store.work.read("reading curves") as connection:
        near = spool.curves(connection, ids, start, end)
        gone = spool.gone(connection, ids, start, end)
        now = book.find_many(connection, rows)
    again = []
    for sensor, row in rows.items():
        if sensor in now and now[sensor]["released"] == row["released"]:
            found[sensor] = merged(far.get(sensor, Curve()), near[row["id"]], gone[row["id"]])
        else:
            again.append(sensor)
    return again
