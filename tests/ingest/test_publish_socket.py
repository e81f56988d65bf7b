"""Cutting a stream into packets, against the MQTT client's own reading of the same bytes."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.publish_socket import PublishSocket
from ingest.session import Message

PINGRESP = b"\xd0\x00"


def varint(number: int) -> bytes:
    out = bytearray()
    while True:
        number, low = divmod(number, 128)
        out.append(low | (0x80 if number else 0))
        if not number:
            return bytes(out)


def packet(
    topic: bytes, payload: bytes, qos: int, mid: int, *, five: bool, properties: bytes = b"", flags: int = 0
) -> bytes:
    body = len(topic).to_bytes(2, "big") + topic
    body += mid.to_bytes(2, "big") if qos else b""
    body += varint(len(properties)) + properties if five else b""
    body += payload
    return bytes([0x30 | qos << 1 | flags]) + varint(len(body)) + body


@contextmanager
def pair(*, five: bool = True) -> Iterator[tuple[socket.socket, PublishSocket]]:
    far, near = socket.socketpair()
    near.setblocking(False)
    reading = PublishSocket(near, 7, five=five)
    try:
        yield far, reading
    finally:
        far.close()
        reading.close()


def rest(reading: PublishSocket) -> bytes:
    found = b""
    while reading.client_should_read:
        found += reading.recv(3)
    return found


PARTS = st.lists(
    st.tuples(
        st.sampled_from(["turnbell/yard/P1/readings", "t", "é/+", ""]),
        st.binary(max_size=300) | st.just(b"x" * 20_000),
        st.integers(0, 1),
        st.integers(1, 65_535),
        st.binary(max_size=200),
        st.sampled_from([0, 1, 8, 9]),
        st.booleans(),
    ),
    max_size=8,
)


@given(PARTS, st.booleans(), st.lists(st.integers(1, 400), max_size=20))
def test_a_stream_cut_anywhere_gives_every_message_whole_and_leaves_the_rest_to_the_client(
    parts: list[tuple[str, bytes, int, int, bytes, int, bool]], five: bool, cuts: list[int]
) -> None:
    stream, wanted, others = b"", [], b""
    for topic, payload, qos, mid, properties, flags, ping in parts:
        stream += packet(
            topic.encode(), payload, qos, mid, five=five, properties=properties if five else b"", flags=flags
        )
        wanted.append(Message(topic, payload, mid if qos else 0, qos, 7, bool(flags & 1), bool(flags & 8)))
        stream, others = (stream + PINGRESP, others + PINGRESP) if ping else (stream, others)
    found: list[Message] = []
    left = b""
    with pair(five=five) as (far, reading):
        for size in (*cuts, len(stream)):
            far.sendall(stream[:size])
            stream = stream[size:]
            found += reading.receive()
            left += rest(reading)
    assert (found, left) == (wanted, others)


def test_a_topic_that_is_no_utf8_has_no_name() -> None:
    with pair() as (far, reading):
        far.sendall(packet(b"\xff\xfe", b"1", 1, 5, five=True))
        assert [(one.topic, one.mid) for one in reading.receive()] == [(None, 5)]


@pytest.mark.parametrize(
    "broken",
    [
        b"\x32\x03\x00\x09t",  # the topic is longer than the packet
        b"\x32\x03\x00\x01t",  # no packet id
        b"\x32\x05\x00\x01t\x00\x01",  # no length of properties
        b"\x32\x06\x00\x01t\x00\x01\x05",  # properties longer than the packet
        b"\x32\x01\x00",
        b"\x34\x06\x00\x01t\x00\x01\x00",  # QoS 2, which nobody asked for
        b"\x32\xff\xff\xff\xff\x01",  # a length of five bytes
    ],
)
def test_what_is_not_mqtt_breaks_the_connection_after_what_came_before_it(broken: bytes) -> None:
    with pair() as (far, reading):
        far.sendall(packet(b"t", b"good", 0, 0, five=True) + PINGRESP + broken)
        assert [one.payload for one in reading.receive()] == [b"good"]
        assert reading.recv(2) == PINGRESP
        assert reading.client_should_read
        with pytest.raises(ConnectionError):
            reading.recv(1)


def test_what_had_arrived_is_read_before_the_end_shows() -> None:
    with pair() as (far, reading):
        far.sendall(packet(b"t", b"last", 0, 0, five=True))
        far.close()
        assert [one.payload for one in reading.receive()] == [b"last"]
        assert reading.client_should_read
        assert reading.recv(1) == b""


def test_without_bytes_the_client_is_told_to_come_again() -> None:
    with pair() as (_, reading):
        assert reading.receive() == []
        assert not reading.client_should_read
        with pytest.raises(BlockingIOError):
            reading.recv(1)
