"""Mapped JSON, with the worked example of the docs: an uplink of a long-range radio network (a made-up, common shape)."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from ingest.decoded import DecodeError
from ingest.decoders import Decoders
from shared.readings import Reading, SensorKey
from shared.settings import SettingsError
from shared.times import Millis, parse_time

CASES = Path(__file__).parents[1] / "cases" / "mapped"
NOW = parse_time("2026-11-25T06:00:30Z")
TOPIC = "turnbell/larkfield/K-01/readings"


def radio() -> dict[str, Any]:
    config: dict[str, Any] = tomllib.loads((CASES / "radio_uplink.toml").read_text("utf-8"))["decoders"]
    return config


def key(depth: str, quantity: Any = "temperature") -> SensorKey:
    return SensorKey("larkfield", "K-04", depth, quantity)


def test_a_radio_uplink_with_a_base64_field_is_read_from_its_own_topic() -> None:
    decoders = Decoders(radio())
    payload = (CASES / "radio_uplink.json").read_bytes()
    at = Millis(parse_time("2026-11-25T06:00:00.120Z"))
    assert decoders.filters == ("radio/+/uplink",)
    decoded = decoders.decode("radio/yard/uplink", payload, NOW)
    assert not decoded.refused
    assert {one.at for one in decoded.readings} == {at}
    assert {one.sensor: round(one.value, 9) for one in decoded.readings} == {
        key("15"): 48.2,
        key("45"): 61.9,
        key("", "battery_volt"): 3.61,
        key("", "rssi"): -97,
    }


def test_an_uplink_too_short_for_a_field_gives_the_others() -> None:
    message = json.loads((CASES / "radio_uplink.json").read_bytes())
    message["payload"] = "EtQ="
    decoded = Decoders(radio()).decode("radio/yard/uplink", json.dumps(message).encode(), NOW)
    assert [one.sensor.depth for one in decoded.readings] == ["15", "", ""]


def test_an_uplink_without_the_field_of_the_bytes_gives_the_others() -> None:
    message = json.loads((CASES / "radio_uplink.json").read_bytes())
    del message["payload"]
    decoded = Decoders(radio()).decode("radio/yard/uplink", json.dumps(message).encode(), NOW)
    assert [one.sensor.quantity for one in decoded.readings] == ["battery_volt", "rssi"]


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"payload": "!!"}, "base64"),
        ({"type": "join"}, "no mapping of this topic takes the message"),
        ({"device": {"name": "K 04"}}, "probe is not 1-64"),
        ({"device": None}, "probe is not 1-64"),
        ({"received_at": "yesterday"}, "time cannot be read"),
        ({"received_at": 1e300}, "out of all bounds"),
        ({"payload": 5}, "does not fit"),
    ],
)
def test_an_uplink_that_does_not_fit_is_refused_with_a_reason(change: dict[str, Any], why: str) -> None:
    message = json.loads((CASES / "radio_uplink.json").read_bytes()) | change
    with pytest.raises(DecodeError) as caught:
        Decoders(radio()).decode("radio/yard/uplink", json.dumps(message).encode(), NOW)
    assert why in str(caught.value)
    assert caught.value.__cause__ is None


def test_a_mapping_without_a_topic_takes_its_messages_and_leaves_the_rest_to_plain_json() -> None:
    decoders = Decoders({"box": {"when": "kind == 'box'", "time": "ts", "celsius": {"30": "temp"}}})
    (mapped,) = decoders.decode(TOPIC, b'{"kind":"box","ts":1795586400,"temp":55.5}', NOW).readings
    assert mapped == Reading(SensorKey("larkfield", "K-01", "30"), Millis(1_795_586_400_000), 55.5, NOW)
    (plain,) = decoders.decode(TOPIC, b'{"celsius":{"45":61}}', NOW).readings
    assert plain.sensor.depth == "45"


def test_what_is_no_bytes_is_refused_with_a_reason() -> None:
    decoders = Decoders({"box": {"celsius": {"30": "integer(p, `0`, 'u8')"}}})
    with pytest.raises(DecodeError, match=r"integer\(\) wants bytes"):
        decoders.decode(TOPIC, b'{"p":["x", 300]}', NOW)


@pytest.mark.parametrize(
    ("expression", "message", "value"),
    [
        ("integer(hex(p), `0`, 'i16')", {"p": "ff9c"}, -100),
        ("integer(hex(p), `1`, 'u16le')", {"p": "00d204"}, 1234),
        ("integer(hex(p), `0`, 'u8')", {"p": "37"}, 55),
        ("shift(scale(p, `0.1`), `-40`)", {"p": 950}, 55),
    ],
)
def test_the_functions_take_bytes_apart(expression: str, message: dict[str, Any], value: float) -> None:
    decoders = Decoders({"x": {"celsius": {"45": expression}}})
    (reading,) = decoders.decode(TOPIC, json.dumps(message).encode(), NOW).readings
    assert reading.value == pytest.approx(value)


@pytest.mark.parametrize(
    ("config", "where"),
    [
        ({"x": 5}, "decoders.x"),
        ({"x": {"celsius": {"45": "a[["}}}, "decoders.x"),
        ({"x": {}}, "decoders.x"),
        ({"x": {"celsius": {"45": "a"}, "colour": "b"}}, "decoders.x.colour"),
        ({"x": {"topic": "a/b", "celsius": {"45": "a"}}}, "decoders.x"),
        ({"x": {"site": "a", "celsius": {"45": "a"}}}, "decoders.x"),
    ],
)
def test_a_mapping_that_cannot_be_used_is_a_settings_error(config: dict[str, Any], where: str) -> None:
    with pytest.raises(SettingsError) as caught:
        Decoders(config)
    assert caught.value.id == where
