"""Taking readings back. The far store need not be able to delete one: what was withdrawn is written down and left out
of every answer; a value given later for the same instant stays in the spool, which has the last word."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING

from sqlalchemy import select, update

from shared.ports import StoreBusy
from shared.readings import SensorKey
from shared.stores.line import book, spool
from shared.stores.line import tables as t
from shared.times import Millis, Span

if TYPE_CHECKING:
    from shared.stores.line.store import LineReadings

_TRIES = 5


def withdraw(store: LineReadings, wanted: Sequence[tuple[SensorKey, Millis]]) -> int:
    by_sensor: dict[SensorKey, set[int]] = defaultdict(set)
    for sensor, at in wanted:
        by_sensor[sensor].add(int(at))
    there: dict[SensorKey, set[int]] = {}
    for sensor, instants in by_sensor.items():
        curve = store.read(sensor, Span(Millis(min(instants)), Millis(max(instants) + 1)))
        there[sensor] = instants & set(curve.at.tolist())
    gone: Counter[int] = Counter()
    touched: list[SensorKey] = []
    with store.work.transaction("taking readings back", alone=True) as connection:
        earliest: dict[int, int] = {}
        received_at = 0
        for sensor, instants in there.items():
            found = book.find_series(connection, sensor)
            if found is None or not instants:
                continue
            series = found["id"]
            keys = {(series, at) for at in instants}
            already = book.gone_instants(connection, [series])
            spooled = spool.take_out(connection, keys)
            going = {key for key in keys if key in spooled or key not in already}
            if not going:
                continue  # another hand was quicker
            spool.bury(connection, going, already)
            gone[series] = len(going)
            earliest[series] = min(at for _, at in going)
            received_at = max([received_at, *spooled.values(), found["last_at"] or 0])
            touched.append(sensor)
        if gone:
            spool.uncount(connection, gone)
            book.log_change(connection, earliest, received_at)
    for sensor in touched:
        _sum_up_anew(store, sensor)
    return sum(gone.values())


def _sum_up_anew(store: LineReadings, sensor: SensorKey) -> None:
    """First, last and last value, from what is left."""
    s = t.series.c
    for _ in range(_TRIES):
        with store.work.read("summing up") as connection:
            before = book.find_series(connection, sensor)
        if before is None:
            return
        curve = store.read(
            sensor, Span(Millis(before["first_at"] or 0), Millis((before["last_at"] or 0) + 1))
        )
        values = {
            "first_at": int(curve.at[0]) if len(curve) else None,
            "last_at": int(curve.at[-1]) if len(curve) else None,
            "last_value": float(curve.value[-1]) if len(curve) else None,
        }
        with store.work.transaction("summing up", alone=True) as connection:
            now = connection.execute(select(s["count"], s.last_at).where(s.id == before["id"])).one()
            if tuple(now) == (before["count"], before["last_at"]):
                connection.execute(update(t.series).where(s.id == before["id"]).values(values))
                return
    raise StoreBusy("taking readings back: others keep writing to the same sensor; its summary follows later")
