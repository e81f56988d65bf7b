"""The embedded readings store against a plain table keyed (sensor, time), in one run on one disk.

Both hold the same readings of ``SENSORS`` sensors; both run in WAL mode with synchronous=FULL and commit every
``BATCH`` rows. The store does more per row (repeats, summaries, the log of changes), so what matters is the ratio of
each to itself as it fills, and the price of reading one sensor's past out of a layout that is clustered by time.
"""

from __future__ import annotations

import json
import random
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from shared.notices import Notice, NoticeState
from shared.readings import Reading, SensorKey
from shared.stores import open_readings, open_registry
from shared.stores.readings_schema import SLOT_MS
from shared.stores.sqlite_files import tune
from shared.times import DAY, HOUR, MINUTE, Millis, Span

SENSORS, BATCH, DEEP_ROWS = 10_000, 1_000, 2_000_000
WARM, MEASURED = 6, 12  # rounds
STEP = 10 * MINUTE
KEYS = [SensorKey("larkfield", f"P{n // 4:05d}", str(15 * (n % 4 + 1))) for n in range(SENSORS)]
PLAIN = "CREATE TABLE plain (series INTEGER, at INTEGER, value REAL, mark INTEGER, received_at INTEGER, PRIMARY KEY (series, at)) WITHOUT ROWID"

Rows: TypeAlias = list[Any]


def say(name: str, value: float, unit: str, baseline: float) -> None:
    line = {"name": name, "value": value, "unit": unit, "baseline": baseline, "ratio": value / baseline}
    print(
        json.dumps({key: round(x, 4) if isinstance(x, float) else x for key, x in line.items()}), flush=True
    )


def rounds(first: int, count: int) -> Iterator[list[tuple[int, int]]]:
    """(sensor, instant) in batches: every sensor once a round, in another order each time."""
    choose = random.Random(first)
    for number in range(first, first + count):
        order = list(range(SENSORS))
        choose.shuffle(order)
        for start in range(0, SENSORS, BATCH):
            yield [(n, number * STEP + n) for n in order[start : start + BATCH]]


def rate(append: Callable[[Rows], object], made: Callable[[int, int], Any], first: int) -> float:
    """Rows a second over ``MEASURED`` rounds after ``WARM`` ones; commits included, the making of the rows not."""
    for batch in rounds(first, WARM):
        append([made(n, at) for n, at in batch])
    batches = [[made(n, at) for n, at in batch] for batch in rounds(first + WARM, MEASURED)]
    started = time.perf_counter()
    for batch in batches:
        append(batch)
    return MEASURED * SENSORS / (time.perf_counter() - started)


def reading(n: int, at: int) -> Reading:
    return Reading(KEYS[n], Millis(at), 60.0, Millis(at))


def row(n: int, at: int) -> tuple[int, int, float, int, int]:
    return n, at, 60.0, 0, at


def to_plain(connection: sqlite3.Connection) -> Callable[[Rows], object]:
    def append(rows: Rows) -> None:
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany("INSERT OR IGNORE INTO plain VALUES (?, ?, ?, ?, ?)", rows)
        connection.execute("COMMIT")

    return append


def plain_table(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None)
    tune(connection, cache_kib=32_000, busy_timeout_s=1.0)
    connection.execute(PLAIN)
    return connection


def fill(connection: sqlite3.Connection, target: str, order: str, first: int, count: int) -> None:
    """Rounds first..first+count-1 at once, in the order in which the table lies."""
    numbers = (
        "WITH RECURSIVE r(n) AS (VALUES (0) UNION ALL SELECT n + 1 FROM r WHERE n < :last) SELECT n FROM r"
    )
    connection.execute("BEGIN IMMEDIATE")
    connection.execute(f"CREATE TEMP TABLE step AS {numbers}", {"last": count - 1})
    connection.execute(f"CREATE TEMP TABLE sensor AS {numbers}", {"last": SENSORS - 1})
    at = f"((step.n + {first}) * {STEP} + sensor.n)"
    connection.execute(
        target.format(at=at) + f" FROM step CROSS JOIN sensor ORDER BY {order.format(at=at)}"  # constants
    )
    connection.execute("DROP TABLE step")
    connection.execute("DROP TABLE sensor")
    connection.execute("COMMIT")


def bench_depth(folder: Path) -> None:
    count = DEEP_ROWS // SENSORS
    store = open_readings(folder / "readings.db")
    empty = rate(store.append, reading, 0)
    with closing(sqlite3.connect(folder / "readings.db", isolation_level=None)) as connection:
        insert = f"INSERT INTO readings SELECT {{at}} / {SLOT_MS}, sensor.n + 1, {{at}}, 60.0, 0, {{at}}"
        fill(connection, insert, f"{{at}} / {SLOT_MS}, sensor.n, {{at}}", 100, count)
    deep = rate(store.append, reading, 100 + count)
    store.close()
    with closing(plain_table(folder / "plain.db")) as connection:
        plain_empty = rate(to_plain(connection), row, 0)
        fill(
            connection, "INSERT INTO plain SELECT sensor.n, {at}, 60.0, 0, {at}", "sensor.n, {at}", 100, count
        )
        plain_deep = rate(to_plain(connection), row, 100 + count)
    say("stores: append, 2 million rows deep against empty", deep, "rows/s", empty)
    say("stores: the same into a plain (sensor, time) table", plain_deep, "rows/s", plain_empty)
    say("stores: append 2 million rows deep against the plain table there", deep, "rows/s", plain_deep)


def median_ms(work: Callable[[], object], times: int = 15) -> float:
    took = []
    for _ in range(times):
        started = time.perf_counter()
        work()
        took.append((time.perf_counter() - started) * 1000)
    return statistics.median(took)


def bench_reading(folder: Path) -> None:
    """One of 24 sensors, 180 days every 10 minutes."""
    store = open_readings(folder / "past.db")
    with closing(plain_table(folder / "past_plain.db")) as plain:
        for day in range(180):
            instants = range(day * DAY, (day + 1) * DAY, STEP)
            store.append([reading(n, at) for at in instants for n in range(24)])
            to_plain(plain)([row(n, at) for at in instants for n in range(24)])

        def from_plain() -> int:
            query = "SELECT at, value, mark FROM plain WHERE series = 7"
            at, value, mark = zip(*plain.execute(query).fetchall(), strict=True)
            return len(np.array(at)) + len(np.array(value)) + len(np.array(mark))

        baseline = median_ms(from_plain)
        value = median_ms(lambda: store.read(KEYS[7], Span(Millis(0))))
        say("stores: one sensor's 180 days at 10 min", value, "ms", baseline)
        one = iter(range(10**6))

        def append_one() -> None:
            store.append([reading(0, 181 * DAY + next(one))])

        single = median_ms(append_one, 100)
        to_one = to_plain(plain)
        bare = median_ms(lambda: to_one([row(0, 181 * DAY + next(one))]), 100)
        say("stores: one reading, committed and synced", single, "ms", bare)
    store.close()


def bench_outbox(folder: Path) -> None:
    """An outbox with a long history must still find the one notice that is due."""

    def put(number: int, state: NoticeState = "waiting") -> None:
        at = Millis(number)
        registry.notices.put(
            Notice(f"n{number}", "e", "turn_due", "act", "ann", "mail", "first", at, "t", "x", state=state)
        )

    registry = open_registry(folder / "registry.db")
    numbers = iter(range(10**9))

    def tell() -> None:
        put(next(numbers))
        (notice,) = registry.notices.claim(Millis(HOUR), MINUTE, 10)
        registry.notices.change(notice.id, state="sent")

    empty = median_ms(tell, 60)
    with registry.begin():
        for _ in range(10_000):
            put(next(numbers), state="sent")
    say("stores: put, claim and settle a notice behind 10 000 sent ones", median_ms(tell, 60), "ms", empty)
    registry.close()


def main() -> None:
    for bench in (bench_depth, bench_reading, bench_outbox):
        with tempfile.TemporaryDirectory(prefix="turnbell-bench-") as folder:
            bench(Path(folder))


if __name__ == "__main__":
    main()
