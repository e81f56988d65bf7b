"""A wire between two programs on loopback that a test can cut, and an MQTT wire that can go quietly deaf."""

from __future__ import annotations

import contextlib
import socket
import threading
from typing import Self


class Wire:
    """Listens on ``port`` and passes bytes on to ``target``."""

    def __init__(self, target: int) -> None:
        self._target = target
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._open: list[socket.socket] = []
        self._lock = threading.Lock()
        self.cut = False
        self.deaf = False  # what the broker publishes no longer arrives; all else does
        threading.Thread(target=self._accept, daemon=True).start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        # shutdown wakes the thread in accept, which a close alone does not
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.snap()

    def snap(self) -> None:
        """Break every connection there is."""
        with self._lock:
            broken, self._open = self._open, []
        for one in broken:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                if self.cut:
                    raise ConnectionRefusedError
                far = socket.create_connection(("127.0.0.1", self._target), timeout=5)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            with self._lock:
                self._open += [near, far]
            threading.Thread(target=self._pass, args=(near, far, False), daemon=True).start()
            threading.Thread(target=self._pass, args=(far, near, True), daemon=True).start()

    def _pass(self, source: socket.socket, sink: socket.socket, from_broker: bool) -> None:
        packets = _Packets()
        swallowed = (
            False  # TCP loses nothing midway: a connection that has gone deaf stays so until it is closed
        )
        with contextlib.suppress(OSError):
            while data := source.recv(65_536):
                if from_broker:
                    whole = packets.feed(data)
                    swallowed = swallowed or (self.deaf and any(one[0] >> 4 == 3 for one in whole))
                    data = b"".join(one for one in whole if not (swallowed and one[0] >> 4 == 3))
                sink.sendall(data)
        with contextlib.suppress(
            OSError
        ):  # no more: the other way may still have bytes that were sent before the end
            sink.shutdown(socket.SHUT_WR)


class _Packets:
    """Cuts a stream into MQTT packets."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> list[bytes]:
        self._rest += data
        whole: list[bytes] = []
        while len(self._rest) >= 2:
            length, shift, place = 0, 0, 1
            while place < len(self._rest):
                octet = self._rest[place]
                length += (octet & 0x7F) << shift
                shift, place = shift + 7, place + 1
                if not octet & 0x80:
                    break
            else:
                break
            if len(self._rest) < place + length:
                break
            whole.append(self._rest[: place + length])
            self._rest = self._rest[place + length :]
        return whole
