"""Starts roles quickly: one process has imported the program, each role is a fork of it with a pid of its own.

``python -m tests.roles.nursery LEASE_S`` reads a JSON line ``{"command": [...], "environment": {...}, "log": "..."}`` and
answers with the pid. The command is the one of `turnbell`; nothing of it is replaced but the length of the watches'
lease, so that a short test need not wait for the real one.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, Self

from alerts.sharing import LEASE_S, LeasedShare
from deploy.cli import COMMANDS, run


class Forked:
    """A role's process, killed by its pid."""

    def __init__(self, pid: int) -> None:
        self.pid = pid

    def kill(self) -> None:
        os.kill(self.pid, signal.SIGKILL)

    def wait(self, timeout: float) -> None:
        deadline = time.monotonic() + timeout
        while Path(f"/proc/{self.pid}").exists():
            assert time.monotonic() < deadline, f"{self.pid} is still there"
            time.sleep(0.02)


class Nursery:
    """Its end is the end of what it started."""

    def __init__(self, lease_s: float = LEASE_S) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.roles.nursery", str(lease_s)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def start(self, command: list[str], environment: dict[str, str], log: Path) -> Forked:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        order = {"command": command, "environment": environment, "log": str(log)}
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()
        return Forked(int(self._process.stdout.readline()))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()
        self._process.wait(60)


def main(lease_s: float) -> None:
    defaults: Any = LeasedShare.__init__.__kwdefaults__
    defaults["lease_s"] = lease_s
    for module in {module for module, _, _ in COMMANDS.values()}:
        importlib.import_module(module)
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # the dead are gone at once
    started = []
    for line in sys.stdin:
        order = json.loads(line)
        pid = os.fork()
        if pid == 0:
            _be(order)
        started.append(pid)
        print(pid, flush=True)
    for pid in started:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


def _be(order: dict[str, Any]) -> None:
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    os.environ.clear()
    os.environ.update(order["environment"])
    log = os.open(order["log"], os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
    nothing = os.open(os.devnull, os.O_RDONLY)
    for number, to in enumerate((nothing, log, log)):
        os.dup2(to, number)
    sys.stdout.reconfigure(line_buffering=True)  # type: ignore[union-attr]  # a text stream
    try:
        status = run(order["command"])
    finally:
        sys.stdout.flush()
    os._exit(status)


if __name__ == "__main__":
    main(float(sys.argv[1]))
