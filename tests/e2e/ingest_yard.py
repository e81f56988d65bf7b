"""What every fault test needs: a broker, an ingester in a process of its own, a probe, a count."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from deploy.simulator import ProbePublisher
from ingest.broker import EmbeddedBroker
from shared.readings import SensorKey
from shared.stores import open_readings, open_registry
from shared.times import Millis, Span
from tests.e2e.ingest_probe import BarePublisher, Probe
from tests.e2e.wire import Wire
from tests.ingest.brokers import wait_for

ROOT = Path(__file__).parents[2]


@dataclass
class Outcome:
    """One line of the table."""

    fault: str
    times: int
    sent: int
    lost: int
    doubled: int
    crashed: int
    peak_mb: float
    took_s: float
    remark: str = ""
    may_lose: int = 0  # what mosquitto acknowledged and had not saved when it was killed: not ours to keep

    @property
    def clean(self) -> bool:
        return self.lost <= self.may_lose and self.doubled == self.crashed == 0


def peak_mb(pid: int) -> float:
    """The most memory that a process has had so far; 0 when it is gone."""
    try:
        status = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0.0
    return max(
        [0.0, *(int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmHWM"))]
    )


@dataclass
class Yard:
    folder: Path
    broker: EmbeddedBroker
    wire: Wire
    probe: Probe = field(init=False)  # begins to send once the ingester is up
    began: float = field(default_factory=time.monotonic)
    crashed: int = 0
    peak_mb: float = 0.0

    def __post_init__(self) -> None:
        self._said = (self.folder / "worker.log").open("ab")
        self.start_worker()

    def __enter__(self) -> Self:
        return self

    def start_worker(self) -> None:
        (self.folder / "state").unlink(missing_ok=True)  # another's
        self.worker = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "tests.e2e.ingest_worker",
                str(self.folder),
                str(self.wire.port),
            ],
            cwd=ROOT,
            stderr=self._said,
        )

    def kill_worker(self) -> None:
        """kill -9, and another one in its place."""
        self._look()
        if self.worker.poll() is not None:
            self.crashed += 1  # it was gone before
        self.worker.kill()
        self.worker.wait()
        self.start_worker()

    def kill_broker(self) -> None:
        before = self.broker.restarts
        os.kill(int(self.broker.pid_file.read_text()), signal.SIGKILL)
        wait_for(lambda: self.broker.restarts > before and self.broker.alive, 120, "the broker is back")

    def more_is_stored(self) -> None:
        seen = self.stored()
        wait_for(lambda: self.stored() > seen, 60, "more is stored")

    def has_found(self, place: int, times: int) -> None:
        """Wait until the worker has counted so many; ``place`` in ``state``."""
        wait_for(lambda: self.state()[place] >= times, 60, "the ingester noticed")

    def state(self) -> tuple[int, int, int]:
        """Connects, times found deaf, times the store was out of reach, of the worker that runs."""
        try:
            connects, deaf, store = (self.folder / "state").read_text().split()
        except (OSError, ValueError):
            return 0, 0, 0
        return int(connects), int(deaf), int(store)

    def said(self) -> str:
        return (self.folder / "worker.log").read_text("utf-8", "replace")[-500:]

    def stored(self) -> int:
        readings = open_readings(self.folder / "readings.db")
        try:
            return readings.count()
        finally:
            readings.close()

    def finish(self, fault: str, times: int, remark: str = "", within_s: float = 200.0) -> Outcome:
        """Send no more, wait for the last reading, stop all, and count."""
        self.probe.stop()
        wait_for(lambda: self.probe.done, within_s, "all is published and acknowledged")
        deadline = time.monotonic() + within_s
        while self.stored() < self.probe.sent and time.monotonic() < deadline and self.worker.poll() is None:
            time.sleep(0.1)
        self._look()
        took_s = time.monotonic() - self.began
        wait_for(lambda: self.state()[0] or self.worker.poll() is not None, 120, "up, before it is ended")
        self.worker.terminate()
        if self.worker.wait(20) != 0:
            self.crashed += 1
        lost, doubled = self._count()
        self.crashed += b"Traceback" in (self.folder / "worker.log").read_bytes()
        return Outcome(
            fault, times, self.probe.sent, lost, doubled, self.crashed, self.peak_mb, took_s, remark
        )

    def _look(self) -> None:
        self.peak_mb = max(self.peak_mb, peak_mb(self.worker.pid))

    def _count(self) -> tuple[int, int]:
        """Readings that are missing or wrong, and readings that nobody sent."""
        readings = open_readings(self.folder / "readings.db")
        found: dict[tuple[SensorKey, int], float] = {}
        rows = 0
        try:
            for summary in readings.sensors():
                curve = readings.read(summary.sensor, Span(Millis(0)))
                rows += len(curve)
                for at, value in zip(curve.at.tolist(), curve.value.tolist(), strict=True):
                    found[summary.sensor, at] = value
        finally:
            readings.close()
        wanted = {(key, at): value for key, at, value in map(self.probe.reading, range(self.probe.sent))}
        lost = sum(found.get(one) != value for one, value in wanted.items())
        return lost, rows - len(wanted.keys() & found.keys())


@contextmanager
def yard(folder: Path, rate_s: float, *, bare: bool = False) -> Iterator[Yard]:
    """Readings at ``rate_s`` a second, where the disk lets the broker, through mosquitto to an ingester process; ``bare`` = from a publisher
    that sends nothing again, else from the reference probe."""
    broker = EmbeddedBroker(folder, "127.0.0.1", 0, kind="mosquitto")
    broker.start()
    open_registry(f"sqlite:///{folder / 'registry.db'}").close()
    try:
        with Wire(broker.port) as wire:
            first = subprocess.run(
                [sys.executable, "-c", _SUBSCRIBE, str(broker.port)], cwd=ROOT, check=False, timeout=30
            )
            assert first.returncode == 0, "the session is there before the first message"
            place = Yard(folder, broker, wire)
            try:
                wait_for(lambda: place.state()[0], 120, "the ingester is up")
                port = broker.port
                publisher = BarePublisher(port) if bare else ProbePublisher("127.0.0.1", port, "yard")
                place.probe = Probe(publisher, rate_s)
                try:
                    yield place
                finally:
                    place.probe.close()
            finally:
                place.worker.kill()
                place.worker.wait()
                place._said.close()
    finally:
        broker.stop()


_SUBSCRIBE = """
import sys
from ingest.session import Address, Session
from ingest.subscriber import Subscriber
from ingest.topics import READINGS_FILTER, STATUS_FILTER
session = Session("turnbell-ingest", ((READINGS_FILTER, False), (STATUS_FILTER, True)))
one = Subscriber(Address("127.0.0.1", int(sys.argv[1])), session, lambda message: None)
one.connect()
one.close()
"""
