"""A probe that keeps sending numbered readings, and the publishers it may send them through."""

from __future__ import annotations

import json
from threading import Event, Thread
from typing import Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from shared.readings import SensorKey
from shared.times import SystemClock

PROBES, DEPTHS = 10, (15, 45, 75)
AHEAD = 200  # messages that the broker has not acknowledged


class Publisher(Protocol):
    """Takes messages at QoS 1 and holds on to each until the broker has it; the broker may die meanwhile."""

    @property
    def under_way(self) -> int: ...
    def readings(self, probe: str, payload: bytes) -> None: ...
    def close(self) -> None: ...


class BarePublisher:
    """Believes the broker: what has been acknowledged is forgotten."""

    def __init__(self, port: int) -> None:
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id="yard-probe",
            clean_session=False,
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        self._client.max_inflight_messages = 100
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = self._on_publish
        self._sent = self._acknowledged = 0
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _on_publish(self, *_: object) -> None:
        self._acknowledged += 1

    @property
    def under_way(self) -> int:
        return self._sent - self._acknowledged

    def readings(self, probe: str, payload: bytes) -> None:
        self.publish(f"turnbell/yard/{probe}/readings", payload)

    def publish(self, topic: str, payload: bytes) -> None:
        self._client.publish(topic, payload, 1)
        self._sent += 1

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Probe:
    """Sends numbered readings through a publisher until ``stop``, in a thread of its own. It runs at most ``AHEAD``
    ahead of the broker, so that a slow disk makes a run smaller, not longer."""

    def __init__(self, publisher: Publisher, rate_s: float) -> None:
        self._publisher, self._rate_s = publisher, rate_s
        self.base_ms = SystemClock().now() - 86_400_000
        self.sent = 0
        self._enough, self._given_up = Event(), Event()
        self._thread = Thread(target=self._send, daemon=True)
        self._thread.start()

    def _send(self) -> None:
        while not self._enough.wait(1 / self._rate_s):
            if self._publisher.under_way >= AHEAD:
                continue
            key, at, value = self.reading(self.sent)
            record = {"n": f"t/{key.depth}", "u": "Cel", "t": at / 1000, "v": value}
            self._publisher.readings(key.probe, json.dumps([record]).encode())
            self.sent += 1
        while self._publisher.under_way and not self._given_up.wait(0.01):
            pass

    def reading(self, number: int) -> tuple[SensorKey, int, float]:
        probe, depth = f"P{number % PROBES}", DEPTHS[number // PROBES % len(DEPTHS)]
        return SensorKey("yard", probe, str(depth)), self.base_ms + number * 1000, number % 700 / 10

    @property
    def done(self) -> bool:
        return not self._thread.is_alive()

    def stop(self) -> None:
        """Send no more; ``done`` once the broker has acknowledged what was sent."""
        self._enough.set()

    def close(self) -> None:
        self._enough.set()
        self._given_up.set()
        self._thread.join(10)
        self._publisher.close()
