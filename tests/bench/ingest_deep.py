"""Ingest at 60 000 sensors and 50 million stored rows: whether the layout stays flat as the file fills.

``nice -n 10 python -m tests.bench.ingest_deep [ROWS [FOLDER]]``. The past, 180 days of it, is laid down by SQL: 60 000
sensors evenly, and a yard of 24 among them every 10 min. On each file (1, 10 and 50 million rows) live rounds over all
sensors, each in another order, go through the store in batches of 1 000 as the ingester writes them, and one sensor's
180 days are read. Up to ``PLAIN_UP_TO`` the same is done to a plain table keyed (sensor, time). At the end the whole
chain drains a backlog into the fullest file, beside the bare drain. FOLDER keeps the files (2.5 GB), and another run
goes on with them: lay them down while the machine is busy, measure when it is quiet.
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


def live(number: int, after: int) -> Iterator[list[tuple[int, int]]]:
    """(sensor, instant) in batches without end: every sensor once a round, in another order each time."""
    choose = random.Random(number)
    order = list(range(SENSORS))
    begin = after + STEP
    while True:
        choose.shuffle(order)
        for start in range(0, SENSORS, BATCH):
            yield [(n, begin + n) for n in order[start : start + BATCH]]
        begin += STEP


def rate(
    append: Callable[[list[Any]], object], made: Callable[[int, int], Any], number: int, after: int
) -> tuple[float, float]:
    """Rows a second, commits included, the making of the rows not; and processor time a row in µs, which says the same
    on a machine that is busy with other things."""
    batches = live(number, after)
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


def lay_down(file: Path, rows: int) -> None:
    """Under another name until it is whole, so that a run that was broken off leaves none that looks so."""
    began, draft = time.perf_counter(), file.with_suffix(".part")
    draft.unlink(missing_ok=True)
    store = open_readings(draft)
    for start in range(0, SENSORS, 5_000):
        store.append([reading(n, NOW - PAST) for n in range(start, start + 5_000)])
    for day in range(180):
        instants = range(NOW - PAST + day * DAY + 1, NOW - PAST + (day + 1) * DAY, STEP)
        store.append([reading(n, at) for at in instants for n in range(YARD)])
    store.close()
    held = 0
    with closing(sqlite3.connect(draft, isolation_level=None)) as connection:
        for number, reached in enumerate(layers(rows)):
            fill(connection, STORE, number, reached - held, 600_000)
            held = reached
        connection.execute("PRAGMA journal_mode=DELETE")
    draft.rename(file)
    _note(f"{rows} rows laid down in {time.perf_counter() - began:.0f} s")


def layers(rows: int) -> list[int]:
    """Laid over each other, so that the pages are as those of a file that was filled in any order."""
    return [some for some in (1_000_000, 10_000_000, 50_000_000) if some < rows] + [rows]


def bench_store(file: Path, rows: int, number: int) -> dict[str, float]:
    store = open_readings(file)

    def past() -> int:
        return len(store.read(KEYS[7], Span(Millis(0))))

    after = max(one.last_at for one in store.sensors() if one.last_at is not None)
    per_s, cpu_us = rate(store.append, reading, number, after)
    past()
    found = {
        "append, rows/s": per_s,
        "append, processor us/row": cpu_us,
        "one sensor's 180 days, ms": median_ms(past, 25),
        "one sensor's 180 days, processor ms": _processor_ms(past, 25),
        "memory, MB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }
    _note(
        f"{rows} rows and what runs added: that sensor has {past()} readings; {file.stat().st_size >> 20} MiB"
    )
    store.close()
    return found


def bench_plain(file: Path, depths: list[int]) -> None:
    first_rate, first_cpu, held = 0.0, 0.0, 0
    with closing(plain_table(file)) as connection:
        for number, rows in enumerate(depths):
            fill(connection, TABLE, number, rows - held, rows)
            held = rows
            per_s, cpu_us = rate(to_plain(connection), row, number, NOW + number * 6 * HOUR)
            first_rate, first_cpu = first_rate or per_s, first_cpu or cpu_us
            say(f"ingest deep: append to a plain table at {rows} rows", per_s, "rows/s", first_rate)
            say(f"ingest deep: append to a plain table at {rows} rows", cpu_us, "processor us/row", first_cpu)


def _note(text: str) -> None:
    print(f"# {text}", file=sys.stderr, flush=True)


def main(most: int, folder: Path) -> None:
    depths = layers(most)
    for rows in depths:
        if not (folder / f"readings-{rows}.db").exists():
            lay_down(folder / f"readings-{rows}.db", rows)
    with tempfile.TemporaryDirectory(prefix="turnbell-plain-") as aside:
        bench_plain(Path(aside) / "plain.db", [rows for rows in depths if rows <= PLAIN_UP_TO])
    first = dict[str, float]()
    for number, rows in enumerate(depths):
        here = bench_store(folder / f"readings-{rows}.db", rows, number)
        first = first or here
        for what, value in here.items():
            name, _, unit = what.rpartition(", ")
            say(f"ingest deep: {name} at {rows} rows", value, unit, first[what])
    compare(f"ingest_deep_{most}_rows_1_a_message", 40_000, 1, folder / f"readings-{most}.db")


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 50_000_000
    if len(sys.argv) > 2:
        kept = Path(sys.argv[2])
        kept.mkdir(parents=True, exist_ok=True)
        main(wanted, kept)
    else:
        with tempfile.TemporaryDirectory(prefix="turnbell-deep-") as name:
            main(wanted, Path(name))
