"""A reference probe: builds and publishes what a real one would send."""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping, Sequence

from paho.mqtt.client import Client, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

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

    def __init__(self, host: str, port: int, site: str) -> None:
        self.site = site
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=f"gateway-{site}")
        self._connected = threading.Event()
        self._client.on_connect = lambda *_: self._connected.set()
        self._client.max_inflight_messages_set(20)
        try:
            self._client.connect(host, port, keepalive=30)
        except OSError as error:
            raise SurroundingsError(f"no broker at {host}:{port}: {error}") from error
        self._client.loop_start()
        if not self._connected.wait(CONNECT_PATIENCE_S):
            self.close()
            raise SurroundingsError(f"the broker at {host}:{port} does not answer")

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
