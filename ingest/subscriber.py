"""The only file that imports the MQTT client: a session that outlives us, read on our own thread, acknowledged late."""

from __future__ import annotations

import logging
import select
import socket
import ssl
import time
from collections.abc import Callable, Sequence
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.publish_socket import PublishSocket
from ingest.session import Address, BrokerAway, Message, Session, fit_for_a_topic
from ingest.topics import OWN_TOPICS

log = logging.getLogger(__name__)

KEEPALIVE_S: Final = 30
CONNECT_WITHIN_S: Final = 5.0
ANSWER_WITHIN_S: Final = 10.0
_PUBACK: Final = b"\x40\x02"
_PINGREQ: Final = b"\xc0\x00"
FOR_EVER: Final = 0xFFFFFFFF  # session expiry of MQTT 5: never


class _Client(mqtt.Client):
    """The library's client on a socket of ours (which it asks for in one place)."""

    def __init__(self, address: Address, **options: Any) -> None:
        super().__init__(CallbackAPIVersion.VERSION2, **options)
        self._address, self._five = address, options["protocol"] is MQTTProtocolVersion.MQTTv5
        self.connection = 0  # counts connects

    def _create_socket(self) -> Any:
        address = self._address
        plain = socket.create_connection((address.host, address.port), timeout=CONNECT_WITHIN_S)
        self.connection += 1
        if address.tls_ca is None:
            return PublishSocket(plain, self.connection, five=self._five)
        try:
            context = ssl.create_default_context(cafile=address.tls_ca)
            secured = context.wrap_socket(plain, server_hostname=address.host)
            return PublishSocket(secured, self.connection, five=self._five)
        except BaseException:
            plain.close()
            raise


class Subscriber:
    """Not thread-safe: connect, poll and acknowledge from one thread. ``take`` gets each message, in order."""

    def __init__(self, address: Address, session: Session, take: Callable[[Message], None]) -> None:
        self.address, self.session = address, session
        self._take = take
        self._five = session.version == "5"
        self.connected = False
        self.last_heard = time.monotonic()
        self._refused = ""
        self._granted: bool | None = None
        # as a probe's of a site that cannot be (a dot is no part of a name), so that it comes by the way of the readings
        self._echo_topic = f"{OWN_TOPICS}{fit_for_a_topic(session.client_id)}/readings"
        self.begin_echoes()
        self._client = self._make()

    def connect(self) -> bool:
        """Connect and subscribe; True when the broker had kept our session. Raises BrokerAway."""
        self._refused, self._granted, self._present = "", None, False
        try:
            if self._five:
                properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # the library leaves it untyped
                properties.SessionExpiryInterval = FOR_EVER
                properties.ReceiveMaximum = self.session.receive_maximum
                self._client.connect(
                    self.address.host,
                    self.address.port,
                    KEEPALIVE_S,
                    clean_start=False,
                    properties=properties,
                )
            else:
                self._client.connect(self.address.host, self.address.port, KEEPALIVE_S)
        except (
            OSError,
            ValueError,
        ) as error:  # ssl errors are OSErrors; ValueError: a host name that is none
            raise BrokerAway(f"{type(error).__name__}: {error}") from error
        deadline = time.monotonic() + ANSWER_WITHIN_S
        while self._granted is None:
            if self._refused or time.monotonic() > deadline or not self._turn(0.2):
                self.drop()
                raise BrokerAway(self._refused or "it did not answer in time")
        if not self._granted:
            self.drop()
            raise BrokerAway("it does not let us read turnbell/#; check the ingester's rights")
        self.last_heard = time.monotonic()
        return self._present

    def poll(self, timeout_s: float) -> bool:
        """Wait for messages at most ``timeout_s``, hand over what is there, keep the session; False when it is lost."""
        return self._turn(timeout_s)

    def tend(self) -> bool:
        """Keep the session without reading; False when it is lost."""
        self._flush()
        return self._client.loop_misc() is MQTTErrorCode.MQTT_ERR_SUCCESS

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """In the order of arrival, all in one write; those of an earlier connection are the broker's to send again.

        A PUBACK of MQTT 3.1.1 and of 5 is the same four bytes (MQTT 5 section 3.4.2.1: no reason code means success).
        """
        sock, connection = self._client.socket(), self._client.connection
        if isinstance(sock, PublishSocket):
            mids = [one.mid for one in messages if one.qos and one.connection == connection]
            sock.send(b"".join([_PUBACK + mid.to_bytes(2, "big") for mid in mids]))
            sock.flush()

    def begin_echoes(self) -> None:
        """Count from now on what comes in: ``echoes`` of our own, ``messages`` of others."""
        self.echoes = self.messages = 0

    def ask_for_echo(self) -> None:
        """Send ourselves a message: what proves that messages still reach us; and a ping after it, whose answer proves
        that the broker has come so far."""
        self._client.publish(self._echo_topic, b"", qos=0)
        sock = self._client.socket()
        if isinstance(sock, PublishSocket):
            sock.send(_PINGREQ)
            sock.flush()

    @property
    def pings_answered(self) -> int:
        """On this connection."""
        sock = self._client.socket()
        return sock.pings_answered if isinstance(sock, PublishSocket) else 0

    def drop(self) -> None:
        """Close without a word; the broker keeps the session and what we have not acknowledged."""
        self.connected = False
        sock = self._client.socket()
        if sock is not None:
            sock.close()
            self._client.loop_read()  # lets the client find out

    def close(self) -> None:
        if self.connected:
            self.connected = False
            self._client.disconnect()
            self._flush()
        else:
            self.drop()

    def _make(self) -> _Client:
        version = MQTTProtocolVersion.MQTTv5 if self._five else MQTTProtocolVersion.MQTTv311
        client = _Client(
            self.address,
            client_id=self.session.client_id,
            protocol=version,
            clean_session=None if self._five else False,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        if self.address.username is not None:
            client.username_pw_set(self.address.username, self.address.password)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        return client

    def _turn(self, timeout_s: float) -> bool:
        """One round of the client's own loop, but reading all that is there."""
        client, sock = self._client, self._client.socket()
        if not isinstance(sock, PublishSocket):
            return False
        sock.flush()
        pending = sock.pending()
        waits_to_write = client.want_write() or sock.unsent > 0
        try:
            readable, _, _ = select.select(
                [sock], [sock] if waits_to_write else [], [], 0 if pending else timeout_s
            )
        except (OSError, ValueError):  # closed under our hands
            return False
        if readable or pending:
            messages, well = sock.receive(), True
            while well and sock.client_should_read:
                well = client.loop_read() is MQTTErrorCode.MQTT_ERR_SUCCESS
            if messages:
                self._hand_over(messages)
            if not well:
                return False
        if client.want_write():
            client.loop_write()
        sock.flush()
        return client.loop_misc() is MQTTErrorCode.MQTT_ERR_SUCCESS

    def _flush(self) -> None:
        sock = self._client.socket()
        if isinstance(sock, PublishSocket):
            sock.flush()

    def _subscribe(self) -> None:
        group = f"$share/{self.session.shared_group}/" if self.session.shared_group else ""
        wanted = [(group + topic, fresh) for topic, fresh in self.session.filters]
        if group:  # another of the group may get what we send ourselves
            wanted.append((self._echo_topic, False))
        if self._five:
            self._client.subscribe(
                [
                    (topic, SubscribeOptions(qos=1, retainHandling=0 if fresh or group else 1))
                    for topic, fresh in wanted
                ]
            )
        else:
            self._client.subscribe([(topic, 1) for topic, _ in wanted])

    def _on_connect(
        self, _client: mqtt.Client, _data: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, _more: Any
    ) -> None:
        if reason.is_failure:
            self._refused = f"it refused us: {reason}"
            return
        self.connected, self._present = True, flags.session_present
        self._subscribe()

    def _on_subscribe(
        self, _client: mqtt.Client, _data: Any, _mid: int, reasons: list[ReasonCode], _more: Any
    ) -> None:
        self._granted = not any(reason.is_failure for reason in reasons)

    def _hand_over(self, messages: Sequence[Message]) -> None:
        self.last_heard = time.monotonic()
        for message in messages:
            if message.topic == self._echo_topic:
                self.echoes += 1
            else:
                self.messages += not message.retain
            self._take(
                message
            )  # an echo too, should it want an acknowledgement: those keep the order of arrival

    def _on_disconnect(
        self, _client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _more: Any
    ) -> None:
        if self.connected and reason.is_failure:
            self._refused = str(reason)
        self.connected = False

    @property
    def why_lost(self) -> str:
        """The broker's own words when the last connection ended, where it gave any."""
        return self._refused or "the connection broke"
