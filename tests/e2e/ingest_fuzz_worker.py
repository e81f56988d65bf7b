"""The ingester that the fuzzer publishes to: ``python -m tests.e2e.ingest_fuzz_worker FOLDER PORT KEPT``."""

from __future__ import annotations

import json
import signal
import sys
import threading
import time
from pathlib import Path

from ingest.pipeline import IngestLoop
from shared.settings import QuarantineBounds, Settings
from shared.stores import open_readings, open_registry
from shared.times import SystemClock
from tests.e2e.ingest_fuzz import MAPPINGS, Accounts


def main(folder: Path, port: int, kept: int) -> None:
    readings = open_readings(folder / "readings.db")
    registry = open_registry(f"sqlite:///{folder / 'registry.db'}")
    settings = Settings(decoders=MAPPINGS, quarantine=QuarantineBounds(keep_at_most=kept))
    loop = IngestLoop(readings, registry, settings, SystemClock(), "127.0.0.1", port)
    accounts = Accounts(loop._intake)
    loop._intake.take = accounts.take  # type: ignore[method-assign]  # counted on the way
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    told = 0.0

    def beat() -> None:
        nonlocal told
        if time.monotonic() - told < 0.1:
            return
        told = time.monotonic()
        state = {
            "taken": loop.counts.messages,  # committed and acknowledged
            "unaccounted": accounts.unaccounted,
            "quarantined": loop.writer.quarantined,
        }
        aside = folder / "state.new"
        aside.write_text(json.dumps(state))
        aside.replace(folder / "state")

    loop.run(stop, beat)
    readings.close()
    registry.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
