"""The rehearsal of the guide 'Keeping it for years', with a real service at work: backup, restore, check, look."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from deploy.cli import run
from deploy.house import open_house
from deploy.service import Service
from shared.readings import SensorKey
from shared.settings import Settings
from shared.times import MINUTE, Millis, Span, iso, parse_time
from tests.e2e.harness import healthy, until
from tests.keeping.aged_yard import NOW, fill, opened

BEGAN = parse_time("2026-06-01T00:00:00Z")
KEY = SensorKey("yard", "P9", "45")


class Publishing:
    """A probe that sends the next minute as soon as the broker has acknowledged the one before."""

    def __init__(self, service: Service) -> None:
        self.acknowledged = 0
        self._enough = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.connect(*service.mqtt_address)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._send)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._enough.set()
        self._thread.join(60)
        self._client.disconnect()
        self._client.loop_stop()

    def _send(self) -> None:
        while not self._enough.is_set():
            at = Millis(BEGAN + self.acknowledged * MINUTE)
            message = json.dumps({"time": iso(at), "celsius": {"45": 50.0 + self.acknowledged % 9}})
            self._client.publish("turnbell/yard/P9/readings", message, qos=1).wait_for_publish(60)
            self.acknowledged += 1


def instants(data: Path) -> list[int]:
    house = open_house(data, Settings())
    try:
        found: list[int] = house.readings.read(KEY, Span(BEGAN)).at.tolist()
        return found
    finally:
        house.close()


@contextmanager
def served(data: Path) -> Iterator[Service]:
    house = open_house(data, Settings())
    service = Service(house, host="127.0.0.1", port=0, mqtt_host="127.0.0.1", mqtt_port=0)
    service.start()
    try:
        until(lambda: healthy(service.address), 60, "a healthy service")
        yield service
    finally:
        service.stop()
        house.close()


@pytest.mark.mosquitto
@pytest.mark.usefixtures("mosquitto")
def test_a_backup_of_a_busy_service_is_restored_checked_and_says_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, file, new = tmp_path / "data", tmp_path / "yard.backup", tmp_path / "rehearsal"
    with opened(data) as house:
        fill(house)
        before = house.book.report("old", NOW).model_dump_json()
    with served(data) as service, Publishing(service) as probe:
        until(lambda: len(instants(data)) > 20, 60, "readings in the store")
        there = len(instants(data))
        assert run(["backup", str(file), "--data", str(data)]) == 0
        at_most = len(instants(data))
        until(lambda: len(instants(data)) > at_most, 60, "more readings after the backup")
    assert run(["restore", str(file), "--data", str(new)]) == 0
    kept = instants(new)
    assert kept == [BEGAN + step * MINUTE for step in range(len(kept))]
    assert there <= len(kept) <= at_most < probe.acknowledged + 1
    capsys.readouterr()
    assert run(["check", "--data", str(new)]) == 0
    assert "readings: can be read and written" in capsys.readouterr().out
    with opened(new) as house:
        assert house.book.report("old", NOW).model_dump_json() == before
