"""The embedded readings store: one SQLite file, one writer connection behind a lock, a pool of reading ones."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from shared.ports import Appended, Changes, SensorSummary, StorageError, StoreBusy
from shared.readings import Curve, Reading, SensorKey
from shared.stores import arrivals_log, readings_read, readings_thin, readings_write
from shared.stores.readings_order import by_depth
from shared.stores.readings_schema import migrate
from shared.stores.sqlite_files import (
    BUSY_TIMEOUT_S,
    READINGS_ID,
    refuse_strangers,
    sqlite_trouble,
    transaction,
    tune,
)
from shared.times import Millis, Span

_FOREIGN = (sqlite3.Error, OverflowError, UnicodeError)
_IDLE_READERS = 8

_CHANGED = """
SELECT id, site, probe, depth, quantity FROM series WHERE id IN (SELECT value FROM json_each(?))
"""


class SqliteReadings:
    def __init__(self, path: Path, busy_timeout_s: float) -> None:
        self.path, self._patience_s = path, busy_timeout_s
        self._turn = threading.Lock()
        self._readers: list[sqlite3.Connection] = []
        self._readers_lock = threading.Lock()
        self._closed = False
        self._known: dict[SensorKey, int] = {}
        refuse_strangers(path, READINGS_ID)
        try:
            self._writer = self._connect(cache_kib=32_000)
            try:
                migrate(self._writer)
            except BaseException:
                self._writer.close()
                raise
        except sqlite3.Error as error:
            raise sqlite_trouble(error, f"cannot open {path}") from error

    def append(self, batch: Sequence[Reading]) -> Appended:
        rows = readings_write.checked(batch)
        if not rows:
            return Appended(0)
        with self._writing("storing readings") as connection:
            added, appended = readings_write.append(connection, rows, self._known)
        self._known.update(added)
        return appended

    def read(self, sensor: SensorKey, span: Span) -> Curve:
        with self._reading("reading a curve") as connection:
            return readings_read.curves(connection, [sensor], span)[sensor]

    def read_many(self, sensors: Iterable[SensorKey], span: Span) -> dict[SensorKey, Curve]:
        with self._reading("reading curves") as connection:
            return readings_read.curves(connection, sensors, span)

    def sensors(self, site: str | None = None, probe: str | None = None) -> list[SensorSummary]:
        query = "SELECT site, probe, depth, quantity, first_at, last_at, last_value, count FROM series WHERE count > 0"
        wanted = {"site": site, "probe": probe}
        for column in [column for column, text in wanted.items() if text is not None]:
            query += f" AND {column} = :{column}"
        with self._reading("listing sensors") as connection:
            rows = connection.execute(query, wanted).fetchall()
        summaries = [SensorSummary(SensorKey(*row[:4]), *row[4:]) for row in rows]
        return sorted(summaries, key=by_depth)

    def changes_since(self, cursor: int) -> Changes:
        with self._reading("reading what changed") as connection:
            oldest, newest = arrivals_log.reach(connection)
            if cursor == newest and cursor > 0:
                return Changes(cursor, {})
            if oldest <= cursor <= newest and cursor > 0:
                earliest = arrivals_log.since(connection, cursor)
                rows = connection.execute(_CHANGED, (json.dumps(list(earliest)),)).fetchall()
                return Changes(newest, {SensorKey(*row[1:]): Millis(earliest[row[0]]) for row in rows})
            everything = connection.execute(
                "SELECT site, probe, depth, quantity, first_at FROM series WHERE count > 0"
            ).fetchall()
        firsts = {SensorKey(*row[:4]): Millis(row[4]) for row in everything}
        return Changes(newest, firsts, complete=cursor == 0)

    def withdraw(self, readings: Iterable[tuple[SensorKey, Millis]]) -> int:
        wanted = list(readings)
        with self._writing("taking readings back") as connection:
            return readings_write.withdraw(connection, wanted)

    def thin(self, pieces: Sequence[readings_thin.Piece]) -> int:
        """All of these in one transaction; gives how many readings went."""
        with self._writing("thinning") as connection:
            return readings_thin.thin(connection, pieces)

    def thinned_stretches(self, at_least_ms: int) -> dict[SensorKey, list[Span]]:
        """What is thinned to buckets of ``at_least_ms`` or longer, each list ascending."""
        with self._reading("reading what was thinned") as connection:
            return readings_thin.stretches(connection, at_least_ms)

    def thinned(self) -> Mapping[str, int]:
        with self._reading("reading what was thinned") as connection:
            return readings_thin.by_pile(connection)

    def count(self) -> int:
        with self._reading("counting readings") as connection:
            total: int = connection.execute("SELECT coalesce(sum(count), 0) FROM series").fetchone()[0]
        return total

    def ping(self) -> None:
        with self._writing("trying a write") as connection:
            connection.execute("UPDATE counters SET value = value + 1 WHERE name = 'pulse'")

    def close(self) -> None:
        with self._turn, self._readers_lock:
            self._closed = True
            self._writer.close()
            while self._readers:
                self._readers.pop().close()

    def _connect(self, *, cache_kib: int) -> sqlite3.Connection:
        connection = sqlite3.connect(
            self.path, timeout=self._patience_s, isolation_level=None, check_same_thread=False
        )
        try:
            tune(connection, cache_kib=cache_kib, busy_timeout_s=self._patience_s)
        except BaseException:
            connection.close()
            raise
        return connection

    @contextmanager
    def _writing(self, what: str) -> Iterator[sqlite3.Connection]:
        if not self._turn.acquire(timeout=self._patience_s):
            raise StoreBusy(f"{what}: another thread has been writing for {self._patience_s:g} s")
        try:
            self._refuse_closed(what)
            with transaction(self._writer, "BEGIN IMMEDIATE"):
                yield self._writer
        except _FOREIGN as error:
            raise _trouble(error, what) from error
        finally:
            self._turn.release()

    @contextmanager
    def _reading(self, what: str) -> Iterator[sqlite3.Connection]:
        try:
            connection = self._borrow(what)
            try:
                with transaction(connection, "BEGIN"):
                    yield connection
            finally:
                self._give_back(connection)
        except _FOREIGN as error:
            raise _trouble(error, what) from error

    def _borrow(self, what: str) -> sqlite3.Connection:
        with self._readers_lock:
            self._refuse_closed(what)
            if self._readers:
                return self._readers.pop()
        return self._connect(cache_kib=8_000)

    def _give_back(self, connection: sqlite3.Connection) -> None:
        with self._readers_lock:
            if not self._closed and len(self._readers) < _IDLE_READERS:
                self._readers.append(connection)
                return
        connection.close()

    def _refuse_closed(self, what: str) -> None:
        if self._closed:
            raise StorageError(f"{what}: the store is closed")


def _trouble(error: Exception, what: str) -> StorageError:
    return (
        sqlite_trouble(error, what) if isinstance(error, sqlite3.Error) else StorageError(f"{what}: {error}")
    )


def open_readings(path: Path, *, busy_timeout_s: float = BUSY_TIMEOUT_S) -> SqliteReadings:
    """Open (and make, or migrate) the readings file. StorageError when it cannot be used or is newer than this
    program; then nothing has changed."""
    return SqliteReadings(path, busy_timeout_s)
