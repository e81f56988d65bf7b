"""An end to every send, however slowly the other side dribbles: at the deadline its connection is shut."""

from __future__ import annotations

import contextlib
import socket
import threading
from types import TracebackType
from typing import Self


class Deadline:
    """``with Deadline(10) as deadline: ...; deadline.watch(sock)``: what then waits on the socket wakes with an error
    of its own once the time is up, and ``passed`` is True. Timeouts of single reads cannot do this: a byte now and
    then satisfies them for ever."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self.passed = False
        self._watched: list[socket.socket] = []
        self._lock = threading.Lock()
        self._timer = threading.Timer(seconds, self._ring)
        self._timer.daemon = True

    def __enter__(self) -> Self:
        self._timer.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._timer.cancel()
        with self._lock:
            for sock in self._watched:
                sock.close()
            self._watched.clear()

    def watch(self, sock: socket.socket) -> None:
        """Call with the bare socket, before TLS is laid over it."""
        twin = (
            sock.dup()
        )  # TLS takes the descriptor out of ``sock``; the twin still names the same connection
        with self._lock:
            self._watched.append(twin)
            if self.passed:
                _shut(twin)

    def _ring(self) -> None:
        with self._lock:
            self.passed = True
            for sock in self._watched:
                _shut(sock)


def _shut(sock: socket.socket) -> None:
    with contextlib.suppress(OSError):  # it is gone already
        sock.shutdown(socket.SHUT_RDWR)
