"""A VictoriaMetrics server of one's own on a free port of the loopback, killed at will, gone at the end."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

import httpx

from tests import loopback
from tests.ports import free_port

PROGRAM = shutil.which("victoria-metrics")
DEADLINE_S = 60.0
_numbers = count(1)


class Victoria:
    def __init__(self, folder: Path, retention: str = "100y") -> None:
        self._folder, self._retention = folder, retention
        self._process: subprocess.Popen[bytes] | None = None
        self.port = 0

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def fresh(self) -> str:
        """An address under which nothing is stored yet."""
        return f"victoria://127.0.0.1:{self.port}?measurement=t{os.getpid()}_{next(_numbers)}"

    def start(self) -> None:
        """Waits until it answers. On the port of before, if it had one."""
        assert PROGRAM is not None
        deadline = time.monotonic() + DEADLINE_S
        while True:
            port = self.port or free_port()
            with (self._folder / "log").open("ab") as log:
                self._process = subprocess.Popen(
                    [
                        PROGRAM,
                        f"-storageDataPath={self._folder / 'data'}",
                        f"-retentionPeriod={self._retention}",
                        f"-httpListenAddr=127.0.0.1:{port}",
                        "-memory.allowedPercent=5",
                    ],
                    stdout=log,
                    stderr=log,
                )
            if self._answers(port, deadline):
                self.port = port
                return
            assert time.monotonic() < deadline, (self._folder / "log").read_text(errors="replace")[-3000:]

    def _answers(self, port: int, deadline: float) -> bool:
        """False when it ended: somebody was quicker to take the port."""
        while self._process is not None and self._process.poll() is None and time.monotonic() < deadline:
            try:
                if loopback.get(f"http://127.0.0.1:{port}/health").status_code == 200:
                    return True
            except httpx.TransportError:
                time.sleep(0.05)
        return False

    def flush(self) -> None:
        """Let what was accepted be seen at once, not within seconds."""
        loopback.get(f"{self.url}/internal/force_flush", timeout=DEADLINE_S).raise_for_status()

    def end(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            try:
                self._process.wait(DEADLINE_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait(DEADLINE_S)
            self._process = None


@contextmanager
def running(retention: str = "100y") -> Iterator[Victoria]:
    assert PROGRAM is not None, "install victoria-metrics: CI runs these tests"
    folder = Path(tempfile.mkdtemp(prefix="turnbell-vm-"))
    victoria = Victoria(folder, retention)
    try:
        victoria.start()
        yield victoria
    finally:
        victoria.end(signal.SIGKILL)
        shutil.rmtree(folder, ignore_errors=True)
