"""A probe's connection to a broker that asks for passwords."""

from __future__ import annotations

from pathlib import Path
from threading import Event
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.ingest.brokers import wait_for

PAYLOAD = '{"celsius":{"45":61}}'


class Client:
    """A probe that says what became of its connection and its messages."""

    def __init__(
        self, port: int, username: str, password: str, *, ca: Path | None = None, host: str = "127.0.0.1"
    ) -> None:
        self.answer = ""
        self.closed = Event()
        self._connected = Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self.client.username_pw_set(username, password)
        if ca is not None:
            self.client.tls_set(ca_certs=str(ca))
        self.client.on_connect = self._on_connect
        self.client.on_disconnect = self._on_disconnect
        self.client.connect(host, port)
        self.client.loop_start()
        assert self._connected.wait(10)

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        self.answer = str(reason)
        self._connected.set()

    def _on_disconnect(self, *_: Any) -> None:
        self.closed.set()

    def publish(self, topic: str) -> str:
        """The broker's reason code."""
        reasons: list[str] = []
        self.client.on_publish = lambda _client, _data, _mid, reason, _more: reasons.append(str(reason))
        self.client.publish(topic, PAYLOAD, 1)
        wait_for(lambda: reasons, 10)
        return reasons[0]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
