"""Processes of the tests, each with a pid of its own to be killed by, that need not import the program first: they are
forks of one that has, which starts with the first of them."""

from __future__ import annotations

import multiprocessing
import os
import sys
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import Self

_context = multiprocessing.get_context("forkserver")
_context.set_forkserver_preload(
    [
        "tests.alerts.outbox.sender_child",
        "tests.alerts.worker.killed_child",
        "tests.contracts.child",
        "tests.stores.full_disk_child",
    ]
)
DEADLINE_S = 120.0


class Fork:
    """Runs ``main(*arguments)``; talked to as a ``subprocess.Popen`` with text pipes. Killed at the end of its block, at
    the latest after ``DEADLINE_S``."""

    def __init__(self, main: Callable[..., object], *arguments: object) -> None:
        theirs_in, ours_in = _context.Pipe(duplex=False)
        ours_out, theirs_out = _context.Pipe(duplex=False)
        with theirs_in, ours_in, ours_out, theirs_out:
            self._process = _context.Process(
                target=_be, args=(theirs_in, theirs_out, main, arguments), daemon=True
            )
            self._process.start()
            self._overdue = threading.Timer(DEADLINE_S, self._process.kill)
            self._overdue.start()
            self.stdin = os.fdopen(os.dup(ours_in.fileno()), "w")
            self.stdout = os.fdopen(os.dup(ours_out.fileno()))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._overdue.cancel()
        self.kill()
        self.wait(10.0)
        self.stdin.close()
        self.stdout.close()
        self._process.close()

    def kill(self) -> None:
        self._process.kill()

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self, timeout: float) -> int:
        """How it ended; minus the signal that ended it."""
        self._process.join(timeout)
        status = self.poll()
        assert status is not None, f"{self._process.pid} is still there"
        return status


def _be(
    from_test: Connection, to_test: Connection, main: Callable[..., object], arguments: tuple[object, ...]
) -> None:
    for number, pipe in enumerate((from_test, to_test)):
        os.dup2(pipe.fileno(), number)
        pipe.close()
    with os.fdopen(0) as sys.stdin, os.fdopen(1, "w") as sys.stdout:
        main(*arguments)
