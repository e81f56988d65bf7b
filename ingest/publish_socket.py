"""A socket that reads and writes by the block, and keeps the PUBLISH packets back for us.

The MQTT client reads each packet in three calls, makes a dozen objects of a PUBLISH, and sends each acknowledgement by
itself: that costs more than decoding and storing together. So the packets are cut here: a PUBLISH (the same few bytes
in MQTT 3.1.1 and 5) comes out of ``receive`` as a Message, everything else goes to the client as it came.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
from typing import Final

from ingest.session import Message

_BLOCK: Final = 256 * 1024
_AT_ONCE: Final = 1 << 20
_SEND_AT: Final = 64 * 1024
_PUBLISH: Final = 0x30
_PINGRESP: Final = 0xD0
_LONGEST_LENGTH: Final = 4  # bytes of a remaining length


class PublishSocket:
    """Non-blocking, as the client sets it. ``send`` takes everything; ``flush`` brings it out."""

    def __init__(self, plain: socket.socket | ssl.SSLSocket, connection: int, *, five: bool) -> None:
        self._plain, self._connection, self._five = plain, connection, five
        self._rest = bytearray()  # the beginning of a packet that has not come whole
        self._want = 2  # as many bytes are needed before cutting is worth while
        self._others = bytearray()
        self._place = 0
        self.pings_answered = 0
        self._out = bytearray()
        self._cannot_send: OSError | None = None
        self._trouble: OSError | None = None
        self._ended = False

    def receive(self) -> list[Message]:
        """Read what is there; give the messages in it. An end or a break shows to the client at its next ``recv``."""
        messages: list[Message] = []
        read = 0
        try:
            while read < _AT_ONCE and not self._ended and self._trouble is None:
                block = self._plain.recv(_BLOCK)
                self._ended = not block
                read += len(block)
                self._rest += block
                if len(self._rest) >= self._want:
                    self._cut(messages)
        except (BlockingIOError, ssl.SSLWantReadError):
            self._trouble = self._cannot_send  # only now: what had arrived before the break has been read
        except OSError as error:
            self._trouble = error
        return messages

    def _cut(self, messages: list[Message]) -> None:
        data = bytes(self._rest)
        place, end, want = 0, len(data), 2
        while end - place >= 2:
            body, length = place + 2, data[place + 1]
            if length & 0x80:
                body, length = _varint(data, place + 1, min(end, place + 1 + _LONGEST_LENGTH))
                if length < 0 and body == place + 1 + _LONGEST_LENGTH:
                    raise ConnectionError("the length of a packet is not as MQTT says")
            stop = body + length
            if length < 0 or stop > end:
                want = stop - place if length >= 0 else body - place + 1
                break
            if data[place] & 0xF0 == _PUBLISH:
                messages.append(self._publish(data, place, body, stop))
            else:
                self.pings_answered += data[place] == _PINGRESP
                self._others += data[place:stop]
            place = stop
        del self._rest[:place]
        self._want = want

    def _publish(self, data: bytes, place: int, body: int, stop: int) -> Message:
        flags = data[place]
        topic_from = body + 2
        topic_to = topic_from + (data[body] << 8 | data[body + 1]) if topic_from <= stop else stop + 1
        qos, mid, at = flags >> 1 & 3, 0, topic_to
        if qos:
            at += 2
            mid = data[at - 2] << 8 | data[at - 1] if at <= stop else 0
        if self._five and at < stop:
            size = data[at]
            at += 1
            if size & 0x80:
                at, size = _varint(data, at - 1, stop)
            at = at + size if size >= 0 else stop + 1
        elif self._five:
            at = stop + 1  # the length of the properties is missing
        if at > stop or qos > 1:  # we asked for QoS 1 at most
            raise ConnectionError("a PUBLISH is not as MQTT says")
        try:
            topic: str | None = data[topic_from:topic_to].decode()
        except UnicodeDecodeError:
            topic = None
        return Message(topic, data[at:stop], mid, qos, self._connection, flags & 1 != 0, flags & 8 != 0)

    @property
    def client_should_read(self) -> bool:
        return self._place < len(self._others) or self._ended or self._trouble is not None

    def recv(self, most: int) -> bytes:
        """As of a socket, without the PUBLISH packets: BlockingIOError when nothing is there, b"" at the end, OSError
        when it broke."""
        if self._place < len(self._others):
            piece = bytes(self._others[self._place : self._place + most])
            self._place += len(piece)
            if self._place == len(self._others):
                self._others.clear()
                self._place = 0
            return piece
        if self._trouble is not None:
            raise self._trouble
        if self._ended:
            return b""
        raise BlockingIOError

    def pending(self) -> int:
        """Bytes that can be read without the system."""
        return self._plain.pending() if isinstance(self._plain, ssl.SSLSocket) else 0

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
                self._cannot_send = error
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
        self._others.clear()
        self._place, self._ended = 0, True
        self._plain.close()


def _varint(data: bytes, place: int, end: int) -> tuple[int, int]:
    """(where it ends, its value); the value is -1 when it does not end in time."""
    value = shift = 0
    while place < end and shift < 28:
        octet = data[place]
        place += 1
        value |= (octet & 0x7F) << shift
        if octet < 0x80:
            return place, value
        shift += 7
    return place, -1
