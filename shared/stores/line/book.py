"""The spool's book: which sensors there are, and which changed in which batch. Inside the caller's transaction."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from sqlalchemy import (
    Connection,
    RowMapping,
    bindparam,
    case,
    delete,
    func,
    insert,
    literal,
    or_,
    select,
    update,
)

from shared.readings import SensorKey
from shared.stores.arrivals_log import ENTRY, KEEP_BATCHES, KEEP_MS, PRUNE_EVERY, earliest_of
from shared.stores.line import tables as t
from shared.stores.registry.rows import insert_unless_there

if TYPE_CHECKING:
    from shared.stores.line.rows import Row

_Value = TypeVar("_Value", int, str)
AT_ONCE = 5_000  # values of one IN
s = t.series.c


def in_pieces(values: Collection[_Value]) -> Iterable[list[_Value]]:
    everything = sorted(values)
    for start in range(0, len(everything), AT_ONCE):
        yield everything[start : start + AT_ONCE]


def find_series(connection: Connection, sensor: SensorKey) -> RowMapping | None:
    query = select(t.series).where(
        s.site == sensor.site,
        s.probe == sensor.probe,
        s.quantity == sensor.quantity,
        s.depth == sensor.depth,
    )
    return connection.execute(query).mappings().first()


def find_many(connection: Connection, sensors: Iterable[SensorKey]) -> dict[SensorKey, RowMapping]:
    """Those of them that have readings."""
    wanted, found = set(sensors), {}
    probes: dict[str, set[str]] = defaultdict(set)
    for sensor in wanted:
        probes[sensor.site].add(sensor.probe)
    for site, names in probes.items():
        for piece in in_pieces(names):
            query = select(t.series).where(s.site == site, s.probe.in_(piece), s["count"] > 0)
            found.update({key_of(row): row for row in connection.execute(query).mappings()})
    return {sensor: row for sensor, row in found.items() if sensor in wanted}


def series_id(connection: Connection, sensor: SensorKey) -> int:
    row = {"site": sensor.site, "probe": sensor.probe, "quantity": sensor.quantity, "depth": sensor.depth}
    insert_unless_there(connection, t.series, row, ("site", "probe", "quantity", "depth"))
    found = find_series(connection, sensor)
    return 0 if found is None else int(found["id"])


def last_instants(connection: Connection, ids: Collection[int]) -> dict[int, int | None]:
    return {
        row.id: row.last_at
        for piece in in_pieces(ids)
        for row in connection.execute(select(s.id, s.last_at).where(s.id.in_(piece)))
    }


def summarise(connection: Connection, new: Mapping[tuple[int, int], Row]) -> None:
    """Count what was added, and log it."""
    found: dict[int, dict[str, Any]] = {}
    for (id_, at), row in new.items():
        summary = found.setdefault(id_, {"b_id": id_, "n": 0, "first": at, "last": at, "val": row.value})
        summary["n"] += 1
        summary["first"] = min(summary["first"], at)
        if at > summary["last"]:
            summary["last"], summary["val"] = at, row.value
    first, last, value = (bindparam(name, type_=s[column].type) for name, column in _BOUND)
    later = or_(s.last_at.is_(None), last > s.last_at)
    statement = (
        update(t.series)
        .where(s.id == bindparam("b_id"))
        .values(
            count=s["count"] + bindparam("n"),
            first_at=case((or_(s.first_at.is_(None), first < s.first_at), first), else_=s.first_at),
            last_value=case((later, value), else_=s.last_value),
            last_at=case((later, last), else_=s.last_at),
        )
    )
    connection.execute(statement, list(found.values()))
    log_change(
        connection,
        {id_: summary["first"] for id_, summary in found.items()},
        max(row.received_at for row in new.values()),
    )


_BOUND = (("first", "first_at"), ("last", "last_at"), ("val", "last_value"))


def log_change(connection: Connection, earliest: Mapping[int, int], received_at: int) -> None:
    blob = np.array(list(earliest.items()), dtype=ENTRY).tobytes()
    made = connection.execute(insert(t.arrivals), {"received_at": received_at, "earliest": blob})
    key = made.inserted_primary_key
    seq = int(key[0]) if key is not None else 0
    if seq % PRUNE_EVERY == 0:
        _prune(connection, seq - KEEP_BATCHES, received_at - KEEP_MS)


def _prune(connection: Connection, before_seq: int, received_before: int) -> None:
    a = t.arrivals.c
    kept = connection.execute(select(func.min(a.seq)).where(a.received_at >= received_before)).scalar_one()
    to = max(before_seq, (kept or 0) - 1)
    connection.execute(delete(t.arrivals).where(a.seq <= to))
    pruned_to = t.counters.c.name == "pruned_to"
    connection.execute(update(t.counters).where(pruned_to, t.counters.c.value < to).values(value=literal(to)))


def reach(connection: Connection) -> tuple[int, int]:
    """Cursors the log can answer: from the first to the second, both included."""
    pruned_to = counter(connection, "pruned_to")
    newest = connection.execute(select(func.max(t.arrivals.c.seq))).scalar_one()
    return pruned_to, max(newest or 0, pruned_to)


def since(connection: Connection, cursor: int) -> dict[SensorKey, int]:
    blobs = connection.execute(select(t.arrivals.c.earliest).where(t.arrivals.c.seq > cursor)).scalars().all()
    earliest = earliest_of([bytes(blob) for blob in blobs])
    return {
        key_of(row): earliest[row["id"]]
        for piece in in_pieces(earliest)
        for row in connection.execute(select(t.series).where(s.id.in_(piece))).mappings()
    }


def counter(connection: Connection, name: str) -> int:
    value: int = connection.execute(select(t.counters.c.value).where(t.counters.c.name == name)).scalar_one()
    return value


def key_of(row: RowMapping) -> SensorKey:
    return SensorKey(row["site"], row["probe"], row["depth"], row["quantity"])


def gone_instants(connection: Connection, ids: Collection[int]) -> set[tuple[int, int]]:
    """What was withdrawn from these series."""
    w = t.withdrawn.c
    return {
        (row.series, row.at)
        for piece in in_pieces(ids)
        for row in connection.execute(select(w.series, w.at).where(w.series.in_(piece)))
    }


def sensors(connection: Connection, site: str | None, probe: str | None) -> Sequence[RowMapping]:
    query = select(t.series).where(s["count"] > 0)
    if site is not None:
        query = query.where(s.site == site)
    if probe is not None:
        query = query.where(s.probe == probe)
    return connection.execute(query).mappings().all()
