"""A reference probe: builds and publishes what a real one would send."""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from deploy.errors import SurroundingsError
from shared.times import Millis

CONNECT_PATIENCE_S = 10.0
ACK_PATIENCE_S = 60.0


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
    """One MQTT connection that speaks for many probes of a site (as a gateway does)."""

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
        self._client.on_connect = self._on_connect
        self._client.max_inflight_messages_set(20)
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

    def online(self, probe: str) -> None:
        self._client.publish(f"turnbell/{self.site}/{probe}/status", b"online", qos=1, retain=True)

    def readings(self, probe: str, payload: bytes) -> MQTTMessageInfo:
        return self._client.publish(f"turnbell/{self.site}/{probe}/readings", payload, qos=1)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def wait_until_taken(sent: Sequence[MQTTMessageInfo]) -> None:
    """Wait until the broker has acknowledged all of these; SurroundingsError when it does not."""
    for info in sent:
        if info.rc not in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_QUEUE_SIZE):
            raise SurroundingsError("the broker refused a message")
        info.wait_for_publish(ACK_PATIENCE_S)
        if not info.is_published():
            raise SurroundingsError("the broker did not acknowledge a message in time")
