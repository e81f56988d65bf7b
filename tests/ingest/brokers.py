"""Small help for tests that run a broker."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from threading import Event, Thread
from typing import Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from ingest.pipeline import IngestLoop


def wait_for(condition: Callable[[], object], within_s: float, what: str = "") -> None:
    """Look again until it holds; AssertionError when the time is up."""
    deadline = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"did not come about in {within_s} s: {what or condition}")
        time.sleep(0.01)


class Publisher:
    """A probe's side: QoS 1, waits for the broker's word."""

    def __init__(self, port: int, *, version: int = mqtt.MQTTv311, **login: str) -> None:
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            protocol=MQTTProtocolVersion(version),
            client_id=f"publisher-{secrets.token_hex(4)}",
        )
        if login:
            self._client.username_pw_set(login["username"], login["password"])
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def send(self, topic: str, payload: bytes | str, *, retain: bool = False, qos: int = 1) -> None:
        self.wait([self.begin(topic, payload, retain=retain, qos=qos)])

    def begin(
        self, topic: str, payload: bytes | str, *, retain: bool = False, qos: int = 1
    ) -> mqtt.MQTTMessageInfo:
        return self._client.publish(topic, payload, qos, retain)

    @staticmethod
    def wait(sent: Sequence[mqtt.MQTTMessageInfo], within_s: float = 30.0) -> None:
        deadline = time.monotonic() + within_s
        for one in sent:
            one.wait_for_publish(max(0.01, deadline - time.monotonic()))
            assert one.is_published()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@contextmanager
def running(loop: IngestLoop) -> Iterator[IngestLoop]:
    """The loop in a thread, connected; stopped at the end, and what it raised raised here."""
    stop = Event()
    fell: list[BaseException] = []

    def run() -> None:
        try:
            loop.run(stop, lambda: None)
        except BaseException as error:  # noqa: BLE001 - raised again in the test
            fell.append(error)

    thread = Thread(target=run)
    thread.start()
    try:
        wait_for(lambda: loop.connected or fell, 10, "connected")
        yield loop
    finally:
        stop.set()
        thread.join(20)
    if fell:
        raise fell[0]
    assert not thread.is_alive()
