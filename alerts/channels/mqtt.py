"""MQTT: the notice as JSON on a topic of the configured broker, QoS 1; sent once the broker has acknowledged it."""

from __future__ import annotations

import socket
import ssl
import threading
from typing import Any

from paho.mqtt.client import Client, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

from alerts.channels.deadline import Deadline
from alerts.channels.failures import network_words
from alerts.channels.port import Parcel, SendError, body
from shared.settings import Mqtt, Settings

DEADLINE_S = 10.0
OURS = "turnbell/"  # probes speak there: a notice among readings would be read as one


class MqttSender:
    def __init__(self, settings: Settings, *, deadline_s: float = DEADLINE_S) -> None:
        self._mqtt, self._deadline_s = settings.mqtt, deadline_s

    def send(self, parcel: Parcel) -> None:
        if not self._mqtt.host:
            raise SendError("no broker is set; see [mqtt] host")
        delivery = _Delivery(_checked(parcel.channel.target), body(parcel.notice))
        with Deadline(self._deadline_s) as deadline:
            client = _client(self._mqtt, delivery, deadline)
            try:
                client.connect(self._mqtt.host, self._mqtt.port)
            except (OSError, ValueError) as error:
                words = "it did not answer in time" if deadline.passed else network_words(error)
                raise SendError(f"broker: {words}") from None
            client.loop_start()
            try:
                if not delivery.ended.wait(self._deadline_s):
                    raise SendError("broker: it did not answer in time")
            finally:
                client.disconnect()
                client.loop_stop()
        if delivery.error is not None:
            raise delivery.error


class _Delivery:
    """Publishes on connect, and ends with the broker's acknowledgement or with an error."""

    def __init__(self, topic: str, raw: bytes) -> None:
        self._topic, self._raw = topic, raw
        self.ended = threading.Event()
        self.error: SendError | None = None

    def connected(self, client: Client, _user: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._end(SendError(f"broker: it refused the sign-in ({reason})"))
            return
        client.publish(self._topic, self._raw, qos=1)

    def published(self, _client: Client, _user: Any, _mid: int, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._end(SendError(f"broker: it refused the message ({reason})", permanent=True))
            return
        self._end(None)

    def disconnected(self, _client: Client, _user: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._end(SendError(f"broker: it closed the connection ({reason})"))

    def _end(self, error: SendError | None) -> None:
        if not self.ended.is_set():
            self.error = error
            self.ended.set()


class _Client(Client):
    """Opens its connection under a deadline and closes it when TLS fails; never opens another by itself."""

    deadline: Deadline

    def _create_socket(self) -> socket.socket:
        sock = socket.create_connection((self.host, self.port), self.connect_timeout)
        self.deadline.watch(sock)
        if self._ssl_context is None:
            return sock
        try:
            return self._ssl_context.wrap_socket(sock, server_hostname=self.host)
        except BaseException:
            sock.close()
            raise


def _client(mqtt: Mqtt, delivery: _Delivery, deadline: Deadline) -> _Client:
    client = _Client(
        CallbackAPIVersion.VERSION2,
        protocol=MQTTv5 if mqtt.version == "5" else MQTTv311,
        reconnect_on_failure=False,
    )  # the library makes up a client id: two workers never push each other off
    client.deadline = deadline
    client.connect_timeout = deadline.seconds
    if mqtt.username:
        client.username_pw_set(mqtt.username, mqtt.password.get_secret_value() if mqtt.password else None)
    if mqtt.tls_ca:
        try:
            client.tls_set_context(ssl.create_default_context(cafile=str(mqtt.tls_ca)))
        except OSError as error:
            raise SendError(f"[mqtt] tls_ca: {network_words(error)}") from None
    client.on_connect = delivery.connected
    client.on_publish = delivery.published
    client.on_disconnect = delivery.disconnected
    return client


def _checked(topic: str) -> str:
    unfit = not topic or len(topic.encode()) > 65_535 or any(letter in topic for letter in "+#\0")
    if unfit or topic.startswith("$"):
        raise SendError("it is no topic to publish on", permanent=True)
    if topic.startswith(OURS) and topic.endswith(("/readings", "/status")):
        raise SendError("probes publish on that topic; choose another", permanent=True)
    return topic
