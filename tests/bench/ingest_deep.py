"""Ingest at 60 000 sensors and 50 million stored rows: whether the layout stays flat as the file fills.

``nice -n 10 python -m tests.bench.ingest_deep [ROWS]``; minutes, and 5 GB of disk, for 50 million. The past, 180 days
of it, is laid down by SQL: 60 000 sensors evenly, and a yard of 24 among them every 10 min. At each depth live rounds
over all sensors, each in another order, go through the store in batches of 1 000 as the ingester writes them, and one
sensor's 180 days are read. Up to ``PLAIN_UP_TO`` the same is done to a plain table keyed (sensor, time). At the end the
whole chain drains a backlog into the full file, beside the bare drain.
"""

from __future__ import annotations

import random
import resource
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from shared.readings import Reading, SensorKey
from shared.stores import open_readings
from shared.stores.readings_schema import SLOT_MS
from shared.times import DAY, HOUR, MINUTE, Millis, Span, SystemClock
from tests.bench.bench_ingest import DEPTHS, SENSORS, compare
from tests.bench.bench_stores import median_ms, plain_table, say, to_plain

PAST, STEP = 180 * DAY, 10 * MINUTE
YARD = 24
BATCH, WARM, MEASURED = 1_000, 60, 120  # rows; batches
PLAIN_UP_TO = 10_000_000
KEYS = [SensorKey("bench", f"P{n // DEPTHS}", str(15 * (1 + n % DEPTHS))) for n in range(SENSORS)]
NOW = int(SystemClock().now()) // SLOT_MS * SLOT_MS - DAY
NUMBERS = (
    "WITH RECURSIVE r(n) AS (VALUES (:first) UNION ALL SELECT n + 1 FROM r WHERE n < :last) SELECT n FROM r"
)
STORE = (
    f"INSERT INTO readings SELECT {{at}} / {SLOT_MS}, sensor.n + 1, {{at}}, 60.0, 0, {{at}}",
    f"{{at}} / {SLOT_MS}, sensor.n",
)
TABLE = "INSERT INTO plain SELECT sensor.n, {at}, 60.0, 0, {at}", "sensor.n, {at}"


def fill(
    connection: sqlite3.Connection, insert: tuple[str, str], number: int, rows: int, at_once: int
) -> None:
    """``rows`` more over the whole past, at instants of their own (``number``), ``at_once`` to a transaction."""
    steps = max(1, rows // SENSORS)
    gap, some = PAST // steps, max(1, at_once // SENSORS)
    at = f"({NOW - PAST} + step.n * {gap} + {2_000 * (number + 1)} + sensor.n % 1000)"
    for first in range(0, steps, some):
        bounds = {"first": first, "last": min(first + some, steps) - 1}
        connection.execute("BEGIN IMMEDIATE")
        connection.execute(f"CREATE TEMP TABLE step AS {NUMBERS}", bounds)
        connection.execute(f"CREATE TEMP TABLE sensor AS {NUMBERS}", {"first": 0, "last": SENSORS - 1})
        what, order = (text.format(at=at) for text in insert)
        connection.execute(f"{what} FROM step CROSS JOIN sensor ORDER BY {order}")
        connection.execute("DROP TABLE step")
        connection.execute("DROP TABLE sensor")
        connection.execute("COMMIT")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def live(number: int) -> Iterator[list[tuple[int, int]]]:
    """(sensor, instant) in batches without end: every sensor once a round, in another order each time."""
    choose = random.Random(number)
    order = list(range(SENSORS))
    begin = NOW + number * 6 * HOUR
    while True:
        choose.shuffle(order)
        for start in range(0, SENSORS, BATCH):
            yield [(n, begin + n) for n in order[start : start + BATCH]]
        begin += STEP


def rate(
    append: Callable[[list[Any]], object], made: Callable[[int, int], Any], number: int
) -> tuple[float, float]:
    """Rows a second, commits included, the making of the rows not; and processor time a row in µs, which says the same
    on a machine that is busy with other things."""
    batches = live(number)
    for _ in range(WARM):
        append([made(n, at) for n, at in next(batches)])
    measured = [[made(n, at) for n, at in next(batches)] for _ in range(MEASURED)]
    started, cpu = time.perf_counter(), time.process_time()
    for batch in measured:
        append(batch)
    cpu_us = (time.process_time() - cpu) / (MEASURED * BATCH) * 1e6
    return MEASURED * BATCH / (time.perf_counter() - started), cpu_us


def reading(n: int, at: int) -> Reading:
    return Reading(KEYS[n], Millis(at), 60.0, Millis(at))


def row(n: int, at: int) -> tuple[int, int, float, int, int]:
    return n, at, 60.0, 0, at


def _processor_ms(work: Callable[[], object], times: int) -> float:
    began = time.process_time()
    for _ in range(times):
        work()
    return (time.process_time() - began) / times * 1000


def bench_store(file: Path, depths: list[int]) -> None:
    store = open_readings(file)
    for start in range(0, SENSORS, 5_000):
        store.append([reading(n, NOW - PAST) for n in range(start, start + 5_000)])
    for day in range(180):
        instants = range(NOW - PAST + day * DAY + 1, NOW - PAST + (day + 1) * DAY, STEP)
        store.append([reading(n, at) for at in instants for n in range(YARD)])
    held, first = 0, dict[str, float]()

    def past() -> int:
        return len(store.read(KEYS[7], Span(Millis(0))))

    for number, rows in enumerate(depths):
        began = time.perf_counter()
        with closing(sqlite3.connect(file, isolation_level=None)) as connection:
            fill(connection, STORE, number, rows - held, 600_000)
        held = rows
        _note(
            f"{rows} rows laid down in {time.perf_counter() - began:.0f} s, file {file.stat().st_size >> 20} MiB"
        )
        per_s, cpu_us = rate(store.append, reading, number)
        here = {
            "append, rows/s": per_s,
            "append, processor us/row": cpu_us,
            "one sensor's 180 days, ms": median_ms(past, 9),
            "one sensor's 180 days, processor ms": _processor_ms(past, 9),
            "memory, MB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        }
        first = first or here
        for what, value in here.items():
            name, _, unit = what.rpartition(", ")
            say(f"ingest deep: {name} at {rows} rows", value, unit, first[what])
    _note(f"that sensor has {past()} readings; the file {file.stat().st_size >> 20} MiB")
    store.close()


def bench_plain(file: Path, depths: list[int]) -> None:
    first_rate, first_cpu, held = 0.0, 0.0, 0
    with closing(plain_table(file)) as connection:
        for number, rows in enumerate(depths):
            fill(connection, TABLE, number, rows - held, rows)
            held = rows
            per_s, cpu_us = rate(to_plain(connection), row, number)
            first_rate, first_cpu = first_rate or per_s, first_cpu or cpu_us
            say(f"ingest deep: append to a plain table at {rows} rows", per_s, "rows/s", first_rate)
            say(f"ingest deep: append to a plain table at {rows} rows", cpu_us, "processor us/row", first_cpu)


def _note(text: str) -> None:
    print(f"# {text}", file=sys.stderr, flush=True)


def main(most: int) -> None:
    depths = [rows for rows in (1_000_000, 10_000_000, 50_000_000) if rows < most] + [most]
    with tempfile.TemporaryDirectory(prefix="turnbell-deep-") as folder:
        bench_plain(Path(folder) / "plain.db", [rows for rows in depths if rows <= PLAIN_UP_TO])
        (Path(folder) / "plain.db").unlink()
        bench_store(Path(folder) / "readings.db", depths)
        compare(f"ingest_deep_{most}_rows_1_a_message", 40_000, 1, Path(folder) / "readings.db")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50_000_000)
