"""Readings in a far store that speaks the line protocol, with a durable spool in front.

``append`` returns once the spool has the readings on its disk; ``forward`` takes them to the far store and lets go of
them only when it has read them back. A reader sees both as one.
"""

from __future__ import annotations

import time
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, RowMapping, func, select, update

from shared.ports import Appended, Changes, SensorSummary, StorageError, StoreBusy
from shared.readings import Curve, Reading, SensorKey
from shared.stores.line import book, spool
from shared.stores.line import tables as t
from shared.stores.line.address import Address
from shared.stores.line.asking import questions
from shared.stores.line.influx import Influx
from shared.stores.line.reading import read_many
from shared.stores.line.remote import Remote
from shared.stores.line.rows import Row, checked, tally
from shared.stores.line.victoria import Victoria
from shared.stores.line.withdrawing import withdraw
from shared.stores.readings_order import by_depth
from shared.stores.registry.engine import make_engine
from shared.stores.registry.work import Work
from shared.stores.sqlite_files import BUSY_TIMEOUT_S, SPOOL_ID
from shared.times import DAY, HOUR, Millis, Span

AHEAD_MS = 2 * DAY - HOUR
"""VictoriaMetrics drops what is more than two days ahead of its clock, and answers 204."""
_TRIES = 5
_WORDS = {t.WAITING: "waiting", t.SENT: "sent", t.UNSURE: "unsure", t.KEPT: "kept", t.REFUSED: "refused"}
_ALONE = 0x54424C57  # PostgreSQL advisory lock
Far = Mapping[tuple[SensorKey, int], float | None]


class _AskAgain(Exception):
    """A reading left the spool between the question and the transaction."""


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of the past when a batch comes in."""

    last: Mapping[int, int | None]
    gone: Collection[spool.Key]
    spooled: Mapping[spool.Key, float]
    far: Far
    unsure: bool

    def of(self, key: spool.Key, row: Row) -> tuple[float | None, int]:
        """The value that is stored already, or None and the state in which to keep the new one."""
        if key in self.spooled:
            return self.spooled[key], t.WAITING
        if key in self.gone:
            return None, t.KEPT
        latest = self.last.get(key[0])
        if latest is None or row.at > latest:
            return None, t.WAITING
        if (row.sensor, row.at) in self.far:
            return self.far[row.sensor, row.at], t.WAITING
        if self.unsure:
            return None, t.UNSURE
        raise _AskAgain


class LineReadings:
    def __init__(self, work: Work, remote: Remote, clock_ms: Callable[[], int]) -> None:
        self.work, self.remote, self._clock_ms = work, remote, clock_ms
        self._known: dict[SensorKey, int] = {}

    # -- writing

    def append(self, batch: Sequence[Reading]) -> Appended:
        rows = checked(batch)
        if not rows:
            return Appended(0)
        horizon = self._clock_ms() + AHEAD_MS
        ahead = next((row for row in rows if row.at > horizon), None)
        if ahead is not None:
            raise StorageError(
                f"a reading of {ahead.sensor.site}/{ahead.sensor.probe} is more than two days ahead of this machine's "
                "clock, which the readings store drops without a word; nothing of this batch was stored"
            )
        for tries_left in reversed(range(_TRIES)):
            far, away = self._asked(rows)
            try:
                added, appended = self._append(rows, far, unsure=away or not tries_left)
            except _AskAgain:
                continue
            self._known.update(added)
            return appended
        raise StoreBusy("storing readings: the spool did not come to rest")

    def _append(
        self, rows: Sequence[Row], far: Far, *, unsure: bool
    ) -> tuple[dict[SensorKey, int], Appended]:
        repeats: Counter[tuple[str, str]] = Counter()
        differing: Counter[tuple[str, str]] = Counter()
        first: dict[spool.Key, Row] = {}
        added: dict[SensorKey, int] = {}
        new: dict[spool.Key, Row] = {}
        states: dict[spool.Key, int] = {}
        with self.work.transaction("storing readings", alone=True) as connection:
            for row in rows:
                series = self._known.get(row.sensor) or added.get(row.sensor)
                if series is None:
                    series = added[row.sensor] = book.series_id(connection, row.sensor)
                before = first.setdefault((series, row.at), row)
                if before is not row:
                    tally(row, before.value, repeats, differing)
            ids = {series for series, _ in first}
            last = book.last_instants(connection, ids)
            gone = book.gone_instants(connection, ids)
            spooled = spool.values_at(connection, _old(first, last))
            known = _Known(last, gone, spooled, far, unsure)
            for key, row in first.items():
                stored, state = known.of(key, row)
                if stored is None:
                    new[key], states[key] = row, state
                else:
                    tally(row, stored, repeats, differing)
            if new:
                spool.put(connection, new, states)
                book.summarise(connection, new)
        return added, Appended(len(new), dict(repeats), dict(differing))

    def _asked(self, rows: Sequence[Row]) -> tuple[Far, bool]:
        """What the far store has at the instants that are neither newer than all else nor in the spool; and whether it
        could not be asked."""
        first: dict[spool.Key, SensorKey] = {}
        with self.work.read("looking for repeats") as connection:
            self._learn(connection, {row.sensor for row in rows})
            for row in rows:
                series = self._known.get(row.sensor)
                if series is not None:
                    first[series, row.at] = row.sensor
            old = _old(first, book.last_instants(connection, {series for series, _ in first}))
            spooled = spool.values_at(connection, old)
        wanted: dict[SensorKey, list[int]] = defaultdict(list)
        for series, instants in old.items():
            for at in instants:
                if (series, at) not in spooled:
                    wanted[first[series, at]].append(at)
        far: dict[tuple[SensorKey, int], float | None] = {}
        try:
            for start, end, sensors in questions(wanted, self.remote.sensors_at_once):
                curves = self.remote.curves(start, end, sensors)
                for sensor in sensors:
                    curve = curves.get(sensor, Curve())
                    values = dict(zip(curve.at.tolist(), curve.value.tolist(), strict=True))
                    far.update({(sensor, at): values.get(at) for at in wanted[sensor]})
        except StorageError:
            return far, True
        return far, False

    def _learn(self, connection: Connection, sensors: set[SensorKey]) -> None:
        for sensor in sensors - self._known.keys():
            if found := book.find_series(connection, sensor):
                self._known[sensor] = found["id"]

    def withdraw(self, readings: Iterable[tuple[SensorKey, Millis]]) -> int:
        return withdraw(self, list(readings))

    def thinned(self) -> Mapping[str, int]:
        return {}

    # -- reading

    def read(self, sensor: SensorKey, span: Span) -> Curve:
        return read_many(self, [sensor], span)[sensor]

    def read_many(self, sensors: Iterable[SensorKey], span: Span) -> dict[SensorKey, Curve]:
        return read_many(self, sensors, span)

    def sensors(self, site: str | None = None, probe: str | None = None) -> list[SensorSummary]:
        with self.work.read("listing sensors") as connection:
            rows = book.sensors(connection, site, probe)
        return sorted((_summary(row) for row in rows), key=by_depth)

    def changes_since(self, cursor: int) -> Changes:
        with self.work.read("reading what changed") as connection:
            oldest, newest = book.reach(connection)
            if cursor == newest and cursor > 0:
                return Changes(cursor, {})
            if oldest <= cursor <= newest and cursor > 0:
                found = book.since(connection, cursor)
                return Changes(newest, {sensor: Millis(at) for sensor, at in found.items()})
            rows = book.sensors(connection, None, None)
        firsts = {book.key_of(row): Millis(row["first_at"]) for row in rows}
        return Changes(newest, firsts, complete=cursor == 0)

    def count(self) -> int:
        with self.work.read("counting readings") as connection:
            total = connection.execute(select(func.coalesce(func.sum(t.series.c["count"]), 0))).scalar_one()
        return int(total)

    def ping(self) -> None:
        """A write works while the spool takes one; the far store may be away for as long as the disk has room."""
        with self.work.write("trying a write") as connection:
            c = t.counters.c
            connection.execute(update(t.counters).where(c.name == "pulse").values(value=c.value + 1))

    def backlog(self) -> Mapping[str, int]:
        """How many readings are in the spool, by what they wait for."""
        with self.work.read("looking into the spool") as connection:
            found = spool.counts(connection)
        return {word: found.get(state, 0) for state, word in _WORDS.items()}

    def close(self) -> None:
        self.work.close()
        self.remote.close()


def _old(first: Iterable[spool.Key], last: Mapping[int, int | None]) -> dict[int, list[int]]:
    """The instants that are not newer than all that the series had."""
    old: dict[int, list[int]] = defaultdict(list)
    for series, at in first:
        latest = last.get(series)
        if latest is not None and at <= latest:
            old[series].append(at)
    return old


def _summary(row: RowMapping) -> SensorSummary:
    return SensorSummary(book.key_of(row), row["first_at"], row["last_at"], row["last_value"], row["count"])


def open_line_readings(
    address: Address,
    spool_at: str | Path,
    *,
    busy_timeout_s: float = BUSY_TIMEOUT_S,
    clock_ms: Callable[[], int] = lambda: time.time_ns() // 1_000_000,
) -> LineReadings:
    """Open (and make) the spool at a file path or an SQLAlchemy address; the far store need not be there yet."""
    engine = make_engine(spool_at, busy_timeout_s, what="spool", file_id=SPOOL_ID)
    try:
        t.make_tables(engine)
    except StorageError:
        engine.dispose()
        raise
    remote = Influx(address) if address.kind == "influxdb" else Victoria(address)
    return LineReadings(Work(engine, busy_timeout_s, _ALONE), remote, clock_ms)
