"""A store behind the spool, opened by an address that holds both: ``<far address> <spool file>``."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import urlsplit

from shared.ports import Appended
from shared.readings import Reading
from shared.stores import LineReadings, open_line_readings, parse_address
from shared.stores.line.forward import ForwardLoop, ForwardPace
from tests import loopback

QUICK = ForwardPace(horizon_ms=0, poll_s=0.02, tries=20)
TOKEN = "made-up"
DEADLINE_S = 60.0


def open_lines(where: str) -> LineReadings:
    far, spool = where.split(" ")
    return open_line_readings(parse_address(far, token=TOKEN), Path(spool))


class Forwarded(LineReadings):
    """Readings move to the far store all the while, and leave the spool as soon as they can be read back."""

    def __init__(self, where: str) -> None:
        store = open_lines(where)
        super().__init__(store.work, store.remote, store._clock_ms)
        self._flush_url = f"http://{urlsplit(where).netloc}/internal/force_flush"
        self.forward = ForwardLoop(self, pace=QUICK)
        self._stop = threading.Event()
        self._mover = threading.Thread(target=self._move)
        self._mover.start()

    def _move(self) -> None:
        while not self._stop.is_set():
            if not self.forward.step():
                self._stop.wait(0.02)
            loopback.get(self._flush_url, timeout=DEADLINE_S)

    def close(self) -> None:
        if not self._stop.is_set():
            self._stop.set()
            self._mover.join(DEADLINE_S)
        super().close()


class Settled(LineReadings):
    """``append`` returns once the spool is empty: everything is read from the far store alone."""

    def __init__(self, where: str, *, flush: bool = True) -> None:
        store = open_lines(where)
        super().__init__(store.work, store.remote, store._clock_ms)
        self._flush_url = f"http://{urlsplit(where).netloc}/internal/force_flush" if flush else None
        self.forward = ForwardLoop(self, pace=QUICK)
        self._turn = threading.Lock()

    def append(self, batch: Sequence[Reading]) -> Appended:
        appended = super().append(batch)
        with self._turn:
            for _ in range(50):
                waiting = self.forward.backlog()
                if not waiting["waiting"] + waiting["sent"] + waiting["unsure"]:
                    return appended
                self.forward._send()
                if self._flush_url:
                    loopback.get(self._flush_url, timeout=DEADLINE_S)
                self.forward.step()
        raise AssertionError(f"the spool does not empty: {waiting}")
