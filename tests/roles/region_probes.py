"""The probes of a region: one client that publishes for every site."""

from __future__ import annotations

import json

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from shared.times import Millis, SystemClock, iso
from tests.e2e.harness import until
from tests.roles.region_servers import PATIENCE_S, SITES, Region


class Probes:
    """Publishes in rounds; what the broker has acknowledged is counted."""

    def __init__(self, made: Region) -> None:
        self._region = made
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="probes")
        until(self._connect, PATIENCE_S, "a connection to the broker")
        self.client.loop_start()
        self._at = 0

    def _connect(self) -> bool:
        try:
            self.client.connect("127.0.0.1", self._region.mqtt_port)
        except OSError:
            return False
        return True

    def round(self, celsius: float) -> None:
        self._at = max(self._at + 1, SystemClock().now())
        sent = []
        for number in range(SITES):
            payload = json.dumps({"time": iso(Millis(self._at)), "celsius": {"45": celsius}})
            sent.append(self.client.publish(f"turnbell/yard-{number}/P-01/readings", payload, 1))
        for number, one in enumerate(sent):
            one.wait_for_publish(PATIENCE_S)
            assert one.is_published()
            self._region.published[f"yard-{number}"] += 1

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
