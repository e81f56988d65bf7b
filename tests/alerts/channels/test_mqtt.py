from __future__ import annotations

import json
import queue
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from alerts.channels.mqtt import MqttSender
from alerts.channels.port import Parcel, SendError
from ingest.broker import EmbeddedBroker
from shared.people import Channel
from tests.alerts.channels.ways import ADA, notice, settings


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[EmbeddedBroker]:
    embedded = EmbeddedBroker(Path(tmp_path_factory.mktemp("broker")), "127.0.0.1", 0)
    embedded.start()
    try:
        yield embedded
    finally:
        embedded.stop()


def parcel(topic: str) -> Parcel:
    return Parcel(notice(), Channel("c-1", "ada", "mqtt", topic), ADA)


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_subscriber_reads_the_contracts_json_at_qos_1(broker: EmbeddedBroker, version: str) -> None:
    heard: queue.Queue[MQTTMessage] = queue.Queue()
    listening = threading.Event()
    client = Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _client, _user, message: heard.put(message)
    client.on_subscribe = lambda *_: listening.set()
    client.connect(broker.host, broker.port)
    client.subscribe("yard/told", qos=1)
    client.loop_start()
    try:
        assert listening.wait(5.0)
        mqtt = {"host": broker.host, "port": broker.port, "version": version}
        MqttSender(settings(mqtt=mqtt), deadline_s=5.0).send(parcel("yard/told"))
        message = heard.get(timeout=5.0)
    finally:
        client.disconnect()
        client.loop_stop()
    assert message.qos == 1
    assert not message.retain
    said: dict[str, Any] = json.loads(message.payload)
    assert (said["id"], said["kind"], said["title"]) == (
        "019abc0001deadbeef",
        "turn_due",
        "K-07 wants a turn now",
    )


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "yard/#",
        "yard/+/told",
        "a\0b",
        "$SYS/told",
        "turnbell/larkfield/P-01/readings",
        "turnbell/a/b/status",
    ],
)
def test_a_topic_that_is_none_or_the_probes_own_is_refused_for_good(topic: str) -> None:
    with pytest.raises(SendError) as caught:
        MqttSender(settings(mqtt={"host": "localhost"})).send(parcel(topic))
    assert caught.value.permanent


def test_without_a_broker_it_says_which_setting_is_missing() -> None:
    with pytest.raises(SendError, match=r"\[mqtt\] host"):
        MqttSender(settings()).send(parcel("yard/told"))
