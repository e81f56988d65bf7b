"""The service and its embedded broker know each other: the ingester logs in, and messages leave through it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from deploy.enrol import enrol
from deploy.house import House, open_house
from deploy.service import Service
from ingest import broker as broker_module
from shared.people import Channel, Person
from shared.settings import Settings
from shared.times import SystemClock
from tests.e2e.harness import healthy, until


@contextmanager
def served(house: House) -> Iterator[Service]:
    service = Service(house, host="127.0.0.1", port=0, mqtt_host="127.0.0.1", mqtt_port=0)
    service.start()
    try:
        until(lambda: healthy(service.address), 30, "a healthy service")
        yield service
    finally:
        service.stop()


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    house = open_house(tmp_path / "data", Settings(), create=True)
    yield house
    house.close()


@contextmanager
def client(service: Service, username: str = "", password: str = "") -> Iterator[mqtt.Client]:
    made = mqtt.Client(CallbackAPIVersion.VERSION2)
    if username:
        made.username_pw_set(username, password)
    made.connect(*service.mqtt_address)
    made.loop_start()
    try:
        until(made.is_connected, 10, "the client to be connected")
        yield made
    finally:
        made.disconnect()
        made.loop_stop()


@pytest.mark.mosquitto
@pytest.mark.usefixtures("mosquitto")
def test_a_broker_that_wants_passwords_lets_the_ingester_and_an_enrolled_probe_in(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        broker_module, "_is_loopback", lambda _host: False
    )  # as if it were open to the network
    credential = enrol(house.registry, house.data_dir, "lance-01", "yard", SystemClock().now())
    with served(house) as service, client(service, credential.username, credential.password) as probe:
        reading = json.dumps({"celsius": {"45": 61.9}})
        probe.publish("turnbell/yard/lance-01/readings", reading, qos=1).wait_for_publish(10)
        until(lambda: house.readings.count() == 1, 20, "the reading")


def test_a_message_to_a_topic_leaves_through_the_embedded_broker(house: House) -> None:
    house.registry.people.add(Person("orla", "Orla", "UTC"))
    house.registry.people.add_channel(Channel("topic", "orla", "mqtt", "yard/notices"))
    heard: list[bytes | bytearray] = []
    with served(house) as service, client(service) as listener:
        listener.on_message = lambda _client, _data, message: heard.append(message.payload)
        granted: list[int] = []
        listener.on_subscribe = lambda _client, _data, mid, _reasons, _more: granted.append(mid)
        listener.subscribe("yard/notices", qos=1)
        until(lambda: granted, 10, "the subscription")
        assert service.test_send("topic") == ""
        until(lambda: heard, 10, "the trial message")
