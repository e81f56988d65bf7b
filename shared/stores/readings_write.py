"""What happens to the tables when readings come in or are taken back, inside the caller's transaction."""

from __future__ import annotations

import math
import sqlite3
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from shared.ports import Appended, StorageError
from shared.readings import Reading, SensorKey
from shared.stores import arrivals_log
from shared.stores.readings_schema import SLOT_MS, STRETCHES
from shared.times import Millis

_INSERT = "INSERT INTO readings (slot, series, at, value, mark, received_at) VALUES (?, ?, ?, ?, ?, ?)"
_SUMMARY = """
UPDATE series SET
    count = count + :count,
    first_at = min(coalesce(first_at, :first), :first),
    last_value = CASE WHEN last_at IS NULL OR :last > last_at THEN :value ELSE last_value END,
    last_at = max(coalesce(last_at, :last), :last)
WHERE id = :id
"""
_RECOUNT = f"""
WITH RECURSIVE {STRETCHES}
SELECT count(*), min(r.at), max(r.at) FROM stretch CROSS JOIN readings r ON r.slot = stretch.slot
WHERE r.series = :id
"""  # noqa: S608  # a constant


class Row(NamedTuple):
    sensor: SensorKey
    at: int
    value: float
    mark: int
    received_at: int


def checked(batch: Sequence[Reading]) -> list[Row]:
    """Plain numbers; raise StorageError at the first that is none, before anything is written."""
    rows = []
    for reading in batch:
        value = float(reading.value)
        if not math.isfinite(value):
            raise StorageError(f"{value} is no reading ({reading.sensor}); nothing of this batch was stored")
        rows.append(Row(reading.sensor, int(reading.at), value, int(reading.mark), int(reading.received_at)))
    return rows


def append(
    connection: sqlite3.Connection, rows: Sequence[Row], known: Mapping[SensorKey, int]
) -> tuple[dict[SensorKey, int], Appended]:
    """Give the series ids that were looked up or made, to be known once the transaction is committed."""
    added: dict[SensorKey, int] = {}
    repeats: Counter[tuple[str, str]] = Counter()
    differing: Counter[tuple[str, str]] = Counter()
    first: dict[tuple[int, int], Row] = {}
    for row in rows:
        series = known.get(row.sensor) or added.get(row.sensor)
        if series is None:
            series = added[row.sensor] = _series(connection, row.sensor)
        before = first.setdefault((series, row.at), row)
        if before is not row:
            _tally(row, before.value, repeats, differing)
    new = first
    if not _insert_all(connection, new):
        new = _only_new(connection, first, repeats, differing)
        if not _insert_all(connection, new):
            raise StorageError("storing readings: a key appeared inside the transaction")
    if new:
        _summarise(connection, new)
    return added, Appended(len(new), dict(repeats), dict(differing))


def withdraw(connection: sqlite3.Connection, wanted: Iterable[tuple[SensorKey, Millis]]) -> int:
    earliest: dict[int, int] = {}
    gone = 0
    received_at = 0
    ids: dict[SensorKey, int | None] = {}
    for sensor, at in wanted:
        if sensor not in ids:
            ids[sensor] = _find_series(connection, sensor)
        series = ids[sensor]
        if series is None:
            continue
        row = connection.execute(
            "DELETE FROM readings WHERE slot = ? AND series = ? AND at = ? RETURNING received_at",
            (at // SLOT_MS, series, at),
        ).fetchone()
        if row is not None:
            gone += 1
            earliest[series] = min(earliest.get(series, at), at)
            received_at = max(received_at, row[0])
    for series in earliest:
        _recount(connection, series)
    if earliest:
        arrivals_log.write(connection, earliest, received_at)
    return gone


def _tally(
    row: Row, stored: float, repeats: Counter[tuple[str, str]], differing: Counter[tuple[str, str]]
) -> None:
    which = repeats if row.value == stored else differing
    which[row.sensor.site, row.sensor.probe] += 1


def _insert_all(connection: sqlite3.Connection, rows: Mapping[tuple[int, int], Row]) -> bool:
    """All of them, or none and False when one is there already (seldom: a message delivered again)."""
    connection.execute("SAVEPOINT fresh")
    try:
        connection.executemany(
            _INSERT,
            [
                (at // SLOT_MS, series, at, row.value, row.mark, row.received_at)
                for (series, at), row in sorted(rows.items())
            ],
        )
    except sqlite3.IntegrityError:
        connection.execute("ROLLBACK TO fresh")
        return False
    finally:
        if connection.in_transaction:
            connection.execute("RELEASE fresh")
    return True


def _only_new(
    connection: sqlite3.Connection,
    rows: Mapping[tuple[int, int], Row],
    repeats: Counter[tuple[str, str]],
    differing: Counter[tuple[str, str]],
) -> dict[tuple[int, int], Row]:
    new: dict[tuple[int, int], Row] = {}
    for (series, at), row in rows.items():
        found = connection.execute(
            "SELECT value FROM readings WHERE slot = ? AND series = ? AND at = ?", (at // SLOT_MS, series, at)
        ).fetchone()
        if found is None:
            new[series, at] = row
        else:
            _tally(row, found[0], repeats, differing)
    return new


def _summarise(connection: sqlite3.Connection, new: Mapping[tuple[int, int], Row]) -> None:
    by_series: dict[int, dict[str, float]] = {}
    for (series, at), row in new.items():
        summary = by_series.setdefault(
            series, {"id": series, "count": 0, "first": at, "last": at, "value": row.value}
        )
        summary["count"] += 1
        summary["first"] = min(summary["first"], at)
        if at > summary["last"]:
            summary["last"], summary["value"] = at, row.value
    connection.executemany(_SUMMARY, by_series.values())
    earliest = {series: int(summary["first"]) for series, summary in by_series.items()}
    arrivals_log.write(connection, earliest, max(row.received_at for row in new.values()))


def _recount(connection: sqlite3.Connection, series: int) -> None:
    first, last = connection.execute(
        "SELECT first_at, last_at FROM series WHERE id = ?", (series,)
    ).fetchone()
    bounds = {"id": series, "first": first // SLOT_MS, "last": last // SLOT_MS}
    count, first_at, last_at = connection.execute(_RECOUNT, bounds).fetchone()
    value = None
    if count:
        value = connection.execute(
            "SELECT value FROM readings WHERE slot = ? AND series = ? AND at = ?",
            (last_at // SLOT_MS, series, last_at),
        ).fetchone()[0]
    connection.execute(
        "UPDATE series SET count = ?, first_at = ?, last_at = ?, last_value = ? WHERE id = ?",
        (count, first_at, last_at, value, series),
    )


def _find_series(connection: sqlite3.Connection, sensor: SensorKey) -> int | None:
    row = connection.execute(
        "SELECT id FROM series WHERE site = ? AND probe = ? AND quantity = ? AND depth = ?",
        (sensor.site, sensor.probe, sensor.quantity, sensor.depth),
    ).fetchone()
    return None if row is None else int(row[0])


def _series(connection: sqlite3.Connection, sensor: SensorKey) -> int:
    found = _find_series(connection, sensor)
    if found is not None:
        return found
    made = connection.execute(
        "INSERT INTO series (site, probe, quantity, depth) VALUES (?, ?, ?, ?)",
        (sensor.site, sensor.probe, sensor.quantity, sensor.depth),
    ).lastrowid
    return int(made or 0)
