"""Everything that can go wrong between a probe and the disk, done to real processes, and a table of what was lost.

``python -m tests.e2e.ingest_faults [NAME]...`` runs the long form and prints the table; the tests run
the short. The faults set the time; on a slow disk (mosquitto syncs its queue at every change) fewer readings pass.
Needs mosquitto. Each fault is bounded and ends by itself.
"""

from __future__ import annotations

import random
import resource
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from ingest.quarantine import replay
from shared.settings import Settings
from shared.stores import open_readings, open_registry
from shared.times import HOUR, SystemClock
from tests.e2e.ingest_fuzz_process import fuzz_process
from tests.e2e.ingest_worker import OFFSET_FILE
from tests.e2e.ingest_yard import Outcome, Yard, yard
from tests.ingest.brokers import wait_for

SEED = 20261125
DEAF, STORE_LOST = 1, 2  # places in Yard.state()


def ingester_killed(folder: Path, times: int, dice: random.Random) -> Outcome:
    """Three in four while it is at work, the rest wherever it has come to, mostly on its way up."""
    with yard(folder, 100) as place:
        for _ in range(times):
            if dice.random() < 0.75:
                place.more_is_stored()
            time.sleep(dice.uniform(0.0, 0.5))  # a random moment is what is wanted here
            place.kill_worker()
        return place.finish("ingester killed (-9) under load", times)


def broker_killed(folder: Path, times: int, dice: random.Random) -> Outcome:
    return _broker_killed(folder, times, dice, "broker killed (-9) and started again", bare=False)


def broker_killed_under_a_bare_publisher(folder: Path, times: int, dice: random.Random) -> Outcome:
    """mosquitto acknowledges a message a moment before it saves it: a kill in that moment may cost one reading."""
    outcome = _broker_killed(folder, times, dice, "the same, probe sends nothing again", bare=True)
    return replace(outcome, may_lose=times, remark="the broker's own, see below" if outcome.lost else "")


def _broker_killed(folder: Path, times: int, dice: random.Random, fault: str, *, bare: bool) -> Outcome:
    """Some kills come while the ingester is away, some while it comes back: then the queue is the only copy."""
    with yard(folder, 60, bare=bare) as place:
        for _ in range(times):
            time.sleep(dice.uniform(0.0, 1.0))
            place.kill_broker()
        return place.finish(fault, times)


def network_cut(folder: Path, times: int, dice: random.Random) -> Outcome:
    with yard(folder, 120) as place:
        wait_for(lambda: place.state()[0], 20, "connected")
        for _ in range(times):
            time.sleep(dice.uniform(0.05, 0.6))
            place.wire.cut = True
            place.wire.snap()
            time.sleep(dice.uniform(0.05, 0.5))
            place.wire.cut = False
        return place.finish("network cut", times)


def connected_but_deaf(folder: Path, times: int, dice: random.Random) -> Outcome:
    with yard(folder, 50) as place:
        for number in range(times):
            place.more_is_stored()
            place.wire.deaf = True
            place.has_found(DEAF, number + 1)
            place.wire.deaf = False
            place.more_is_stored()
        return place.finish("connected, but nothing arrives", times)


def database_locked(folder: Path, seconds: int, _dice: random.Random) -> Outcome:
    with yard(folder, 80) as place:
        place.more_is_stored()
        for file in ("readings.db", "registry.db"):
            _lock(place, folder / file, seconds / 2)
        return place.finish(f"database locked {seconds} s (half each)", 2, "one session throughout")


def _lock(place: Yard, file: Path, seconds: float) -> None:
    other = sqlite3.connect(file, isolation_level=None, timeout=10)
    try:
        other.execute("BEGIN IMMEDIATE")
        time.sleep(seconds)
        other.execute("ROLLBACK")
    finally:
        other.close()
    connects, _, _ = place.state()
    assert connects == 1, f"the session was not kept: {place.said()}"


def disk_full(folder: Path, times: int, _dice: random.Random) -> Outcome:
    """A limit on the size of files stands for the full disk: writes fail as they do there."""
    with yard(folder, 40) as place:
        for number in range(times):
            place.more_is_stored()
            _, hard = resource.prlimit(place.worker.pid, resource.RLIMIT_FSIZE)
            resource.prlimit(place.worker.pid, resource.RLIMIT_FSIZE, (4096, hard))
            place.has_found(STORE_LOST, number + 1)
            time.sleep(0.5)
            resource.prlimit(place.worker.pid, resource.RLIMIT_FSIZE, (hard, hard))
            place.more_is_stored()
        return place.finish("disk full, then room again", times, "no restart")


def clock_stepped(folder: Path, times: int, _dice: random.Random) -> Outcome:
    """A day and more back, so that all that comes looks ahead of the clock and goes to the quarantine; then put right."""
    offset = folder / OFFSET_FILE
    with yard(folder, 60) as place:
        for number in range(times):
            place.more_is_stored()
            offset.write_text(str((-25 if number % 2 == 0 else 25) * HOUR))
            time.sleep(0.4)
            offset.write_text("0")
        place.probe.stop()
        wait_for(lambda: place.probe.done, 60)
        freed = _replay_until_all_is_there(place)
        return place.finish("clock stepped 25 h back and ahead", times, f"{freed} through the quarantine")


def _replay_until_all_is_there(place: Yard) -> int:
    readings = open_readings(place.folder / "readings.db")
    registry = open_registry(f"sqlite:///{place.folder / 'registry.db'}")
    freed = 0

    def all_there() -> bool:
        nonlocal freed
        freed += replay(registry, readings, Settings(), SystemClock()).freed
        return readings.count() >= place.probe.sent

    try:
        wait_for(all_there, 60, "the quarantine has given all back")
    finally:
        readings.close()
        registry.close()
    return freed


FAULTS: tuple[tuple[Callable[[Path, int, random.Random], Outcome], int, int], ...] = (
    # what, how often (or how long) in the tests, and in the long form
    (ingester_killed, 4, 50),
    (broker_killed, 2, 30),
    (broker_killed_under_a_bare_publisher, 0, 30),
    (network_cut, 3, 30),
    (connected_but_deaf, 1, 5),
    (database_locked, 4, 60),
    (disk_full, 1, 40),
    (clock_stepped, 2, 40),
)


def run(fault: Callable[[Path, int, random.Random], Outcome], times: int) -> Outcome:
    with tempfile.TemporaryDirectory(prefix="turnbell-fault-") as folder:
        return fault(Path(folder), times, random.Random(SEED))


def table(outcomes: list[Outcome]) -> str:
    lines = [
        "| fault | times | readings sent | lost | doubled | crashed | peak memory | took | |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {one.fault} | {one.times} | {one.sent} | {one.lost} | {one.doubled} | {one.crashed} |"
        f" {one.peak_mb:.0f} MB | {one.took_s:.0f} s | {one.remark} |"
        for one in outcomes
    ]
    return "\n".join(lines)


def main() -> int:
    """All of them, or those that are named."""
    wanted = sys.argv[1:] or [*(fault.__name__ for fault, _, _ in FAULTS), "fuzz"]
    outcomes = []
    for fault, _, times in FAULTS:
        if fault.__name__ in wanted:
            outcomes.append(run(fault, times))
            print(table(outcomes[-1:]).splitlines()[-1], flush=True)
    if "fuzz" in wanted:
        outcomes.append(fuzz_process(100_000))
    print("\n" + table(outcomes))
    return 0 if all(one.clean for one in outcomes) else 1


if __name__ == "__main__":
    sys.exit(main())
