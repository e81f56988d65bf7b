"""The ingester alone, as a process that a fault test may kill: ``python -m tests.e2e.ingest_worker FOLDER PORT``."""

from __future__ import annotations

import signal
import sys
import threading
from pathlib import Path

from ingest.pace import Pace
from ingest.pipeline import IngestLoop
from shared.settings import Settings
from shared.stores import open_readings, open_registry
from shared.times import Millis, SystemClock

OFFSET_FILE = "clock_offset_ms"
PACE = Pace(
    first_pause_s=0.05, longest_pause_s=0.5, store_pause_s=0.05, longest_store_pause_s=0.5, echo_every_s=0.5,
    deaf_after_s=2.0,
)  # fmt: skip


class StepClock:
    """The machine's clock plus what stands in a file, so that a test can step it."""

    def __init__(self, file: Path) -> None:
        self._file = file

    def now(self) -> Millis:
        try:
            offset = int(self._file.read_text() or 0)
        except FileNotFoundError:
            offset = 0
        return Millis(SystemClock().now() + offset)


def main(folder: Path, port: int) -> None:
    readings = open_readings(folder / "readings.db", busy_timeout_s=0.5)
    registry = open_registry(f"sqlite:///{folder / 'registry.db'}")
    clock = StepClock(folder / OFFSET_FILE)
    loop = IngestLoop(
        readings,
        registry,
        Settings(),
        clock,
        "127.0.0.1",
        port,
        pace=PACE,
    )
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    said = folder / "state"

    def beat() -> None:
        state = f"{loop.counts.connects} {loop.counts.deaf} {loop.counts.store_troubles}"
        if said.read_text() != state if said.exists() else True:
            aside = folder / "state.new"
            aside.write_text(state)
            aside.replace(said)

    loop.run(stop, beat)
    readings.close()
    registry.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
