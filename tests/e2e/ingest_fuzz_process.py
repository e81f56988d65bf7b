"""A hundred thousand payloads that no probe would send, published to an ingester that is a process of its own.

The fuzzer is this process; what is measured is the ingester's memory. One payload in five is drawn by Hypothesis, the
others are copies of it with more damage, because drawing takes far longer than taking in. mosquitto keeps its queue in
memory here: it is not what is tried.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import tempfile
import time
from collections import deque
from pathlib import Path
from typing import Any, Final

from shared.stores import open_readings, open_registry
from tests.bench.bench_ingest import mosquitto_in_memory
from tests.e2e.ingest_fuzz import KEPT, SEED, draw, wrung
from tests.e2e.ingest_probe import BarePublisher
from tests.e2e.ingest_yard import ROOT, Outcome, peak_mb
from tests.ingest.brokers import wait_for

COPIES: Final = 4
LOOKS: Final = (0.1, 0.5, 1.0)  # at the ingester's memory, as shares of all payloads
UNDER_WAY: Final = 2_000
STRANGERS: Final = 500  # probes that nobody knows


def fuzz_process(count: int, _dice: random.Random | None = None) -> Outcome:
    began = time.monotonic()
    with (
        tempfile.TemporaryDirectory(prefix="turnbell-fuzz-") as name,
        mosquitto_in_memory(Path(name)) as port,
    ):
        folder = Path(name)
        open_registry(f"sqlite:///{folder / 'registry.db'}").close()
        with (folder / "worker.log").open("wb") as said:
            worker = subprocess.Popen(
                [sys.executable, "-m", "tests.e2e.ingest_fuzz_worker", name, str(port), str(KEPT)],
                cwd=ROOT,
                stderr=said,
            )
        try:
            wait_for(lambda: _state(folder), 120, "the ingester is up")
            sent, peaks = _publish(folder, port, worker.pid, count)
            state = _state(folder)
            worker.terminate()
            crashed = int(worker.wait(30) != 0) + (b"Traceback" in (folder / "worker.log").read_bytes())
        finally:
            worker.kill()
            worker.wait()
        kept = _rows_in_quarantine(folder)
        readings = open_readings(folder / "readings.db")
        stored = readings.count()
        readings.close()
    flat = " / ".join(f"{peak:.0f}" for peak in peaks)
    looks = " / ".join(f"{round(share * sent):,}".replace(",", " ") for share in LOOKS)
    remark = (
        f"peak {flat} MB after {looks}; {stored} readings kept, {state['quarantined']} messages quarantined,"
        f" {kept} still there (bound {KEPT})"
    )
    lost = sent - state["taken"] + state["unaccounted"]
    over = max(0, kept - KEPT - KEPT // 10 - 500)  # a tenth and a batch
    return Outcome(
        "fuzzed payloads", sent, sent, lost, over, crashed, peaks[-1], time.monotonic() - began, remark
    )


def _publish(folder: Path, port: int, pid: int, count: int) -> tuple[int, list[float]]:
    """How many were sent, and the ingester's peak after each share of ``LOOKS``."""
    publisher, dice = BarePublisher(port), random.Random(SEED)
    others: deque[bytes] = deque([b"[]"], maxlen=50)
    looks = deque(round(share * count) for share in LOOKS)
    sent, peaks = 0, list[float]()

    def caught_up() -> bool:
        return int(_state(folder)["taken"]) >= sent

    def take(topic: str, payload: bytes) -> None:
        nonlocal sent
        others.append(payload)
        copies = [wrung(payload, dice.choice(others), dice) for _ in range(COPIES)]
        for one in (payload, *copies):
            to = _deliverable(topic, dice)
            publisher.publish(to, one)
            sent += 1
        if publisher.under_way > UNDER_WAY:
            wait_for(lambda: publisher.under_way < UNDER_WAY // 2, 120, "the broker takes more")
        if looks and sent >= looks[0]:
            looks.popleft()
            wait_for(caught_up, 300, "the ingester has taken all so far")
            peaks.append(peak_mb(pid))

    try:
        draw(-(-count // (1 + COPIES)), SEED, take)
    finally:
        publisher.close()
    return sent, peaks


def _deliverable(topic: str, dice: random.Random) -> str:
    """Such as the ingester subscribes to: else the broker would keep it from it."""
    if topic.startswith("turnbell/"):
        return topic
    return f"turnbell/yard/X{dice.randrange(STRANGERS)}/readings"


def _state(folder: Path) -> dict[str, Any]:
    try:
        state: dict[str, Any] = json.loads((folder / "state").read_text())
    except FileNotFoundError:
        return {}
    return state


def _rows_in_quarantine(folder: Path) -> int:
    registry = open_registry(f"sqlite:///{folder / 'registry.db'}")
    try:
        return len(registry.quarantine.all(limit=5000))
    finally:
        registry.close()
