"""What happens to the tables when readings come in or are taken back, inside the caller's transaction."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from itertools import chain
from math import isfinite
from operator import itemgetter

from shared.ports import Appended, StorageError
from shared.readings import Reading, SensorKey
from shared.stores import arrivals_log
from shared.stores.readings_schema import SLOT_MS, STRETCHES
from shared.times import Millis

_ROW = "(?, ?, ?, ?, ?, ?)"
_INSERT = f"INSERT INTO readings (slot, series, at, value, mark, received_at) VALUES {_ROW}"  # noqa: S608  # a constant
_MANY = 250
_INSERT_MANY = _INSERT + f", {_ROW}" * (_MANY - 1)
"""As many rows in one call: the interpreter is let go once for all of them, not once a row, so that a busy thread beside
this one does not make every row wait its turn."""
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


Row = tuple[int, int, int, float, int, int]
"""As the table has it: slot, series, at, value, mark, received_at."""

_place = itemgetter(0, 1, 2)


def checked(batch: Sequence[Reading]) -> Sequence[Reading]:
    """Plain numbers; raise StorageError at the first that is none, before anything is written."""
    for _, at, value, received_at, _ in batch:
        if not (type(value) is float and isfinite(value) and type(at) is type(received_at) is int):
            return _made_plain(batch)
    return batch


def _made_plain(batch: Sequence[Reading]) -> list[Reading]:
    plain = []
    for sensor, at, given, received_at, mark in batch:
        value = float(given)
        if not isfinite(value):
            raise StorageError(f"{value} is no reading ({sensor}); nothing of this batch was stored")
        plain.append(Reading(sensor, Millis(int(at)), value, Millis(int(received_at)), mark))
    return plain


def append(
    connection: sqlite3.Connection, batch: Sequence[Reading], known: Mapping[SensorKey, int]
) -> tuple[dict[SensorKey, int], Appended]:
    """Give the series ids that were looked up or made, to be known once the transaction is committed."""
    added: dict[SensorKey, int] = {}
    tally = _Tally()
    rows: list[Row] = []
    for sensor, at, value, received_at, mark in batch:
        series = known.get(sensor) or added.get(sensor)
        if series is None:
            series = added[sensor] = _series(connection, sensor)
        rows.append((at // SLOT_MS, series, at, value, int(mark), received_at))
    sensors = {row[1]: reading.sensor for row, reading in zip(rows, batch, strict=True)}
    rows.sort(key=_place)  # stable: of two of one instant, the first stays the first
    new = _each_once(rows, sensors, tally)
    if not _insert_all(connection, new):
        new = _only_new(connection, new, sensors, tally)
        if not _insert_all(connection, new):
            raise StorageError("storing readings: a key appeared inside the transaction")
    if new:
        _summarise(connection, new)
    return added, Appended(len(new), dict(tally.repeats), dict(tally.differing))


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


class _Tally:
    """Repeats by probe."""

    def __init__(self) -> None:
        self.repeats: Counter[tuple[str, str]] = Counter()
        self.differing: Counter[tuple[str, str]] = Counter()

    def note(self, sensor: SensorKey, value: float, stored: float) -> None:
        which = self.repeats if value == stored else self.differing
        which[sensor.site, sensor.probe] += 1


def _each_once(rows: list[Row], sensors: Mapping[int, SensorKey], tally: _Tally) -> list[Row]:
    """The first of each instant; ``rows`` in the order of the table."""
    places = list(map(_place, rows))
    if len(set(places)) == len(rows):
        return rows
    once = [rows[0]]
    for row in rows[1:]:
        if row[:3] == once[-1][:3]:
            tally.note(sensors[row[1]], row[3], once[-1][3])
        else:
            once.append(row)
    return once


def _insert_all(connection: sqlite3.Connection, rows: list[Row]) -> bool:
    """All of them, or none and False when one is there already (seldom: a message delivered again)."""
    connection.execute("SAVEPOINT fresh")
    whole = len(rows) - len(rows) % _MANY
    try:
        for start in range(0, whole, _MANY):
            connection.execute(_INSERT_MANY, list(chain.from_iterable(rows[start : start + _MANY])))
        connection.executemany(_INSERT, rows[whole:])
    except sqlite3.IntegrityError:
        connection.execute("ROLLBACK TO fresh")
        return False
    finally:
        if connection.in_transaction:
            connection.execute("RELEASE fresh")
    return True


def _only_new(
    connection: sqlite3.Connection, rows: list[Row], sensors: Mapping[int, SensorKey], tally: _Tally
) -> list[Row]:
    new: list[Row] = []
    for row in rows:
        found = connection.execute(
            "SELECT value FROM readings WHERE slot = ? AND series = ? AND at = ?", row[:3]
        ).fetchone()
        if found is None:
            new.append(row)
        else:
            tally.note(sensors[row[1]], row[3], found[0])
    return new


def _summarise(connection: sqlite3.Connection, new: list[Row]) -> None:
    """``new`` in the order of the table: within a series by time."""
    summaries: dict[int, list[float]] = {}  # count, first, last, value at last
    for _, series, at, value, _, _ in new:
        found = summaries.get(series)
        if found is None:
            summaries[series] = [1, at, at, value]
        else:
            found[0] += 1
            found[2], found[3] = at, value
    connection.executemany(
        _SUMMARY,
        [
            {"id": series, "count": count, "first": first, "last": last, "value": value}
            for series, (count, first, last, value) in summaries.items()
        ],
    )
    earliest = {series: int(first) for series, (_, first, _, _) in summaries.items()}
    arrivals_log.write(connection, earliest, max(row[5] for row in new))


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
