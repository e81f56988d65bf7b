"""A socket that reads and writes by the block, for a client library that asks for a byte at a time.

The MQTT client reads each packet in three calls and sends each acknowledgement in one; on a plain socket these are
system calls, and they cost more than all the rest. It takes any object that looks like a socket with ``pending``.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
from typing import Final

_BLOCK: Final = 256 * 1024
_SEND_AT: Final = 64 * 1024


class BufferedSocket:
    """Non-blocking, as the client sets it. ``send`` takes everything; ``flush`` brings it out."""

    def __init__(self, plain: socket.socket | ssl.SSLSocket) -> None:
        self._plain = plain
        self._block = b""
        self._place = 0
        self._out = bytearray()
        self._trouble: OSError | None = None

    def recv(self, most: int) -> bytes:
        """As of a socket: BlockingIOError when nothing is there, b"" at the end, OSError when it broke."""
        end = self._place + most
        if end <= len(self._block):
            piece = self._block[self._place : end]
            self._place = end
            return piece
        if self._place < len(self._block):
            piece = self._block[self._place :]
            self._place = len(self._block)
            return piece
        self._block, self._place = b"", 0
        try:
            block = self._plain.recv(_BLOCK)
        except (BlockingIOError, ssl.SSLWantReadError):
            if self._trouble is not None:  # only now: what had arrived before the break has been read
                raise self._trouble from None
            raise
        if len(block) <= most:
            return block
        self._block, self._place = block, most
        return block[:most]

    def pending(self) -> int:
        """Bytes that can be read without the system."""
        waiting = len(self._block) - self._place
        return waiting + self._plain.pending() if isinstance(self._plain, ssl.SSLSocket) else waiting

    def send(self, data: bytes | bytearray) -> int:
        self._out += data
        if len(self._out) >= _SEND_AT:
            self.flush()
        return len(data)

    def flush(self) -> None:
        """Send what the system takes now. A break shows at the next ``recv``, where the client looks for it."""
        while self._out:
            try:
                sent = self._plain.send(self._out)
            except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                return
            except OSError as error:
                self._trouble = error
                self._out.clear()
                return
            del self._out[:sent]

    @property
    def unsent(self) -> int:
        return len(self._out)

    def fileno(self) -> int:
        return self._plain.fileno()

    def setblocking(self, flag: bool) -> None:
        self._plain.setblocking(flag)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self.flush()
        self._block, self._place = b"", 0
        self._plain.close()
