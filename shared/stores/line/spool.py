"""What happens to spooled readings, inside the caller's transaction."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, bindparam, case, delete, func, insert, or_, select, tuple_, update

from shared.readings import Curve
from shared.stores.line import tables as t
from shared.stores.line.book import key_of
from shared.stores.line.protocol import Spooled
from shared.stores.line.rows import Row

p = t.spool.c
Key = tuple[int, int]  # series, at


def put(connection: Connection, new: Mapping[Key, Row], states: Mapping[Key, int]) -> None:
    connection.execute(
        insert(t.spool),
        [
            {
                "series": series,
                "at": at,
                "value": row.value,
                "mark": row.mark,
                "received_at": row.received_at,
                "state": states[series, at],
            }
            for (series, at), row in sorted(new.items())
        ],
    )


def values_at(connection: Connection, wanted: Mapping[int, Collection[int]]) -> dict[Key, float]:
    """The spooled values at (about) these instants of these series."""
    query = select(p.series, p.at, p.value).where(
        p.series == bindparam("one"), p.at >= bindparam("first"), p.at <= bindparam("last")
    )
    return {
        (row.series, row.at): row.value
        for series, instants in wanted.items()
        for row in connection.execute(query, {"one": series, "first": min(instants), "last": max(instants)})
    }


def curves(connection: Connection, series: Sequence[int], start: int, end: int) -> dict[int, Curve]:
    """What the spool has of each, ascending."""
    query = (
        select(p.series, p.at, p.value, p.mark)
        .where(p.series.in_(series), p.at >= start, p.at < end)
        .order_by(p.series, p.at)
    )
    rows = connection.execute(query).all()
    if not rows:
        return dict.fromkeys(series, Curve())
    owner, at, value, mark = zip(*rows, strict=True)
    whole = Curve(
        np.array(at, dtype=np.int64), np.array(value, dtype=np.float64), np.array(mark, dtype=np.uint8)
    )
    return {
        one: Curve(whole.at[some], whole.value[some], whole.mark[some])
        for one, some in _slices(series, owner).items()
    }


def gone(connection: Connection, series: Sequence[int], start: int, end: int) -> dict[int, NDArray[np.int64]]:
    """What was withdrawn of each."""
    w = t.withdrawn.c
    query = (
        select(w.series, w.at).where(w.series.in_(series), w.at >= start, w.at < end).order_by(w.series, w.at)
    )
    rows = connection.execute(query).all()
    at = np.array([row.at for row in rows], dtype=np.int64)
    return {one: at[some] for one, some in _slices(series, [row.series for row in rows]).items()}


def _slices(series: Sequence[int], owner: Sequence[int]) -> dict[int, slice]:
    """Where in ``owner``, which ascends, each stands."""
    first, last = np.searchsorted(owner, series), np.searchsorted(owner, series, side="right")
    return {one: slice(*reach) for one, *reach in zip(series, first.tolist(), last.tolist(), strict=True)}


def in_state(connection: Connection, state: int, before: int, limit: int) -> list[Spooled]:
    """Those in ``state`` since ``before`` or longer, the longest first."""
    query = (
        select(t.spool, t.series.c.site, t.series.c.probe, t.series.c.depth, t.series.c.quantity)
        .join(t.series, t.series.c.id == p.series)
        .where(p.state == state, p.since <= before)
        .order_by(p.since, p.at)
        .limit(limit)
    )
    return [
        Spooled(key_of(row), row["series"], row["at"], row["value"], row["mark"], row["tries"])
        for row in connection.execute(query).mappings()
    ]


def move(connection: Connection, rows: Sequence[Spooled], old: int, new: int, since: int, tries: int) -> None:
    """Those that are still in the state ``old`` (another hand may have moved one meanwhile)."""
    if rows:
        statement = (
            update(t.spool)
            .where(p.series == bindparam("b_series"), p.at == bindparam("b_at"), p.state == old)
            .values(state=new, since=since, tries=p.tries + tries)
        )
        connection.execute(statement, [{"b_series": row.series, "b_at": row.at} for row in rows])


def release(connection: Connection, rows: Sequence[Spooled]) -> None:
    """Confirmed: the far store keeps them. ``released_to`` says up to where one has to ask it from now on."""
    if not rows:
        return
    statement = delete(t.spool).where(
        p.series == bindparam("b_series"), p.at == bindparam("b_at"), p.state == t.SENT
    )
    connection.execute(statement, [{"b_series": row.series, "b_at": row.at} for row in rows])
    latest: dict[int, int] = {}
    for row in rows:
        latest[row.series] = max(row.at, latest.get(row.series, row.at))
    s = t.series.c
    to = bindparam("to", type_=s.released_to.type)
    connection.execute(
        update(t.series)
        .where(s.id == bindparam("b_id"))
        .values(
            released=s.released + 1,
            released_to=case((or_(s.released_to.is_(None), s.released_to < to), to), else_=s.released_to),
        ),
        [{"b_id": series, "to": at} for series, at in latest.items()],
    )


def counts(connection: Connection) -> dict[int, int]:
    """How many are in each state."""
    return {
        row.state: row.n
        for row in connection.execute(select(p.state, func.count().label("n")).group_by(p.state))
    }


def take_out(connection: Connection, keys: Collection[Key]) -> dict[Key, int]:
    """Delete these; gives the receipt time of each that was there."""
    found: dict[Key, int] = {}
    everything = sorted(keys)
    for start in range(0, len(everything), 500):
        piece = tuple_(p.series, p.at).in_(everything[start : start + 500])
        rows = connection.execute(select(p.series, p.at, p.received_at).where(piece)).all()
        found.update({(row.series, row.at): row.received_at for row in rows})
        connection.execute(delete(t.spool).where(piece))
    return found


def bury(connection: Connection, keys: Collection[Key], already: Collection[Key]) -> None:
    rows: list[dict[str, Any]] = [
        {"series": series, "at": at} for series, at in sorted(set(keys) - set(already))
    ]
    if rows:
        connection.execute(insert(t.withdrawn), rows)


def uncount(connection: Connection, counts_by_series: Mapping[int, int]) -> None:
    s = t.series.c
    connection.execute(
        update(t.series).where(s.id == bindparam("b_id")).values(count=s["count"] - bindparam("n")),
        [{"b_id": series, "n": n} for series, n in counts_by_series.items()],
    )
