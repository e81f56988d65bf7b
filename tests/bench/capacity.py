"""What a day of many sensors costs the stores: ``python -m tests.bench.capacity SENSORS ROUNDS [STORE]``.

A round is one reading of every sensor, ten minutes after the last; 144 rounds are a day. STORE is ``embedded`` (SQLite)
or ``spool`` (the spool in front of a far store, nothing forwarded). Prints one JSON line: CPU seconds of this process
and of a round, disk and memory. CPU time is counted, not the clock's, so that a busy machine changes little.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from shared.ports import ReadingsStore
from shared.readings import Reading, SensorKey
from shared.stores import open_line_readings, open_readings, parse_address
from shared.times import MINUTE, Millis

BEGAN = 1_764_028_800_000
BATCH = 5_000


def opened(kind: str, folder: Path) -> ReadingsStore:
    if kind == "spool":
        return open_line_readings(parse_address("victoria://127.0.0.1:9"), folder / "spool.db")
    return open_readings(folder / "readings.db")


def batches(keys: list[SensorKey], number: int) -> Iterator[list[Reading]]:
    at = Millis(BEGAN + number * 10 * MINUTE)
    for start in range(0, len(keys), BATCH):
        some = keys[start : start + BATCH]
        yield [
            Reading(key, Millis(at + n % 60_000), 55.0 + (n + number) % 200 / 16, at)
            for n, key in enumerate(some)
        ]


def main(sensors: int, rounds: int, kind: str) -> None:
    keys = [SensorKey(f"yard-{n % 50}", f"P-{n // 3}", str(15 + n % 3 * 30)) for n in range(sensors)]
    with TemporaryDirectory(prefix="turnbell-capacity-") as name:
        folder = Path(name)
        store = opened(kind, folder)
        spent, slowest = 0.0, 0.0
        for number in range(rounds):
            for batch in batches(keys, number):
                began, clock = time.process_time(), time.monotonic()
                store.append(batch)
                spent += time.process_time() - began
                slowest = max(slowest, time.monotonic() - clock)
        total = store.count()
        store.close()
        size = sum(file.stat().st_size for file in folder.iterdir())
    print(
        json.dumps(
            {
                "store": kind,
                "sensors": sensors,
                "rounds": rounds,
                "readings": total,
                "cpu_s_a_round": round(spent / rounds, 3),
                "cpu_s_a_million": round(spent / total * 1e6, 2),
                "slowest_batch_s": round(slowest, 2),
                "bytes_a_reading": round(size / total, 1),
                "memory_mib": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
            }
        )
    )


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3] if len(sys.argv) > 3 else "embedded")
