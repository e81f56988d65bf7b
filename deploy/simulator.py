"""A reference probe: builds and publishes what a real one would send."""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from deploy.errors import SurroundingsError
from deploy.sent_lately import Sent, SentLately
from shared.times import Millis

CONNECT_PATIENCE_S = 10.0
ACK_PATIENCE_S = 60.0
LONGEST_PAUSE_S = 30


def senml_pack(
    probe: str,
    samples: Sequence[tuple[Millis, Mapping[float, float]]],
    *,
    battery_percent: float | None = None,
    rssi_dbm: float | None = None,
) -> bytes:
    """One SenML JSON pack (RFC 8428) of temperatures by depth in cm, with battery and signal at the last instant."""
    records: list[dict[str, str | float]] = []
    for at, values in samples:
        records += [
            {"n": f"t/{depth:g}", "u": "Cel", "t": at / 1000, "v": value} for depth, value in values.items()
        ]
    last = samples[-1][0] / 1000 if samples else 0
    if battery_percent is not None:
        records.append({"n": "battery", "u": "%EL", "t": last, "v": round(battery_percent, 1)})
    if rssi_dbm is not None:
        records.append({"n": "rssi", "u": "dBm", "t": last, "v": round(rssi_dbm)})
    if records:
        records[0] = {"bn": f"{probe}/", **records[0]}
    return json.dumps(records, separators=(",", ":")).encode()


class ProbePublisher:
    """Speaks for many probes of a site, as a gateway does. It connects again by itself, holds on to what the broker has
    not acknowledged, and sends once more what was acknowledged just before the connection broke."""

    def __init__(
        self,
        host: str,
        port: int,
        site: str,
        *,
        login: tuple[str, str] | None = None,
        tls_ca: Path | None = None,
    ) -> None:
        """SurroundingsError when there is no broker, or it does not let us in."""
        self.site = site
        name = f"gateway-{site}" if login is None else f"probe-{login[0]}"
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=name)
        if login is not None:
            self._client.username_pw_set(*login)
        if tls_ca is not None:
            try:
                self._client.tls_set(ca_certs=str(tls_ca))
            except OSError as error:
                raise SurroundingsError(f"cannot read the certificate {tls_ca}: {error}") from error
        self._connected = threading.Event()
        self._refused = ""
        self._lately = SentLately()
        self._client.on_connect = self._on_connect
        self._client.on_publish = lambda _client, _data, mid, *_: self._lately.acknowledged(mid)
        self._client.max_inflight_messages_set(20)
        self._client.reconnect_delay_set(1, LONGEST_PAUSE_S)
        try:
            self._client.connect(host, port, keepalive=30)
        except OSError as error:
            raise SurroundingsError(f"no broker at {host}:{port}: {error}") from error
        self._client.loop_start()
        answered = self._connected.wait(CONNECT_PATIENCE_S)
        if self._refused or not answered:
            self.close()
            why = f"refuses us: {self._refused}" if self._refused else "does not answer"
            raise SurroundingsError(f"the broker at {host}:{port} {why}")

    def _on_connect(self, _client: Client, _data: Any, _flags: Any, reason: ReasonCode, _more: Any) -> None:
        self._refused = str(reason) if reason.is_failure else ""
        self._connected.set()
        if not self._refused:
            for message in self._lately.again():
                self._publish(message)

    def online(self, probe: str) -> None:
        self._publish(Sent(f"turnbell/{self.site}/{probe}/status", b"online", retain=True))

    def readings(self, probe: str, payload: bytes) -> None:
        """The times must stand in the payload: a reading without one would be another each time it is sent."""
        self._publish(Sent(f"turnbell/{self.site}/{probe}/readings", payload))

    def _publish(self, message: Sent) -> None:
        info = self._client.publish(message.topic, message.payload, qos=1, retain=message.retain)
        self._lately.sent(info.mid, message)

    @property
    def under_way(self) -> int:
        """Messages that the broker has not acknowledged yet."""
        return self._lately.under_way

    def wait_until_taken(self) -> None:
        """Until the broker has acknowledged everything; SurroundingsError when it takes none for a minute."""
        if not self._lately.wait_until_all_are_taken(ACK_PATIENCE_S):
            raise SurroundingsError("the broker did not acknowledge a message in time")

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
