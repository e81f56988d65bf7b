from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import cbor2
import pytest

from ingest.decoded import DecodeError
from ingest.decoders import FORMATS, Decoders, senml_cbor
from shared.readings import ArrivalMark, Reading, SensorKey
from shared.times import MINUTE, Millis, parse_time

NOW = parse_time("2026-11-25T06:00:30Z")
TOPIC = "turnbell/larkfield/K-01/readings"
T0 = parse_time("2026-11-25T06:00:00Z") // 1000
DECODERS = Decoders({})


def read(payload: Any, *, topic: str = TOPIC) -> list[Reading]:
    decoded = DECODERS.decode(
        topic, payload if isinstance(payload, bytes) else json.dumps(payload).encode(), NOW
    )
    assert not decoded.refused
    return list(decoded.readings)


def refusal(payload: Any, topic: str = TOPIC) -> str:
    with pytest.raises(DecodeError) as caught:
        DECODERS.decode(topic, payload if isinstance(payload, bytes) else json.dumps(payload).encode(), NOW)
    assert caught.value.__cause__ is None, "a reason of ours, not a stranger's exception"
    return str(caught.value)


def key(depth: str, quantity: Any = "temperature") -> SensorKey:
    return SensorKey("larkfield", "K-01", depth, quantity)


def cbor(records: list[dict[str, Any]]) -> bytes:
    numbers = {name: label for label, name in senml_cbor.LABELS.items()}
    return cbor2.dumps([{numbers.get(name, name): value for name, value in one.items()} for one in records])


def as_json(records: list[dict[str, Any]]) -> bytes:
    return json.dumps(records).encode()


both = pytest.mark.parametrize("write", [as_json, cbor], ids=["json", "cbor"])
Write = Callable[[list[dict[str, Any]]], bytes]


@both
def test_every_quantity_of_a_pack_is_read(write: Write) -> None:
    pack = [
        {"bn": "urn:dev:mac:0024befffe804ff1:", "bt": T0, "n": "t/45", "u": "Cel", "v": 61.9},
        {"n": "t/7.50", "u": "Cel", "v": 48, "t": -60},
        {"n": "t/Middle", "u": "Cel", "v": 50.5},
        {"n": "o2/30", "u": "%", "v": 12.5},
        {"n": "moisture/30", "u": "%", "v": 55},
        {"n": "battery", "u": "%EL", "v": 87},
        {"n": "battery", "u": "V", "v": 3.61},
        {"n": "rssi", "u": "dBm", "v": -92},
    ]
    at = Millis(T0 * 1000)
    assert read(write(pack)) == [
        Reading(key("45"), at, 61.9, NOW),
        Reading(key("7.5"), Millis(at - 60_000), 48, NOW),
        Reading(key("middle"), at, 50.5, NOW),
        Reading(key("30", "oxygen"), at, 12.5, NOW),
        Reading(key("30", "moisture"), at, 55, NOW),
        Reading(key("", "battery_percent"), at, 87, NOW),
        Reading(key("", "battery_volt"), at, 3.61, NOW),
        Reading(key("", "rssi"), at, -92, NOW),
    ]


@both
@pytest.mark.parametrize(
    "record",
    [
        {"bn": "anything at all/t/45", "bu": "Cel", "bt": T0, "v": 61.9},
        {"bn": "t/", "n": "45", "u": "Cel", "t": T0, "v": 61.9},
        {"bn": "urn:dev:ow:10e2073a01080063", "n": "t/45.0", "u": "Cel", "t": T0, "v": 61.9},
        {"n": "t/45", "u": "Cel", "bt": T0 + 10, "t": -10, "bv": 60, "v": 1.9},
    ],
)
def test_the_name_may_be_cut_between_base_and_record_anywhere(record: dict[str, Any], write: Write) -> None:
    assert read(write([record])) == [Reading(key("45"), Millis(T0 * 1000), 61.9, NOW)]


@both
def test_a_record_without_an_absolute_time_is_marked_so(write: Write) -> None:
    pack: list[dict[str, Any]] = [
        {"n": "t/45", "u": "Cel", "v": 61.9},
        {"n": "t/15", "u": "Cel", "t": -90, "v": 50},
    ]
    readings = read(write(pack))
    assert [(one.at, one.mark) for one in readings] == [
        (NOW, ArrivalMark.NO_TIME), (NOW - 90_000, ArrivalMark.NO_TIME),
    ]  # fmt: skip


def test_milliseconds_survive() -> None:
    assert read([{"n": "t/45", "u": "Cel", "t": T0 + 0.123, "v": 1}])[0].at == T0 * 1000 + 123


@both
def test_one_bad_record_does_not_lose_the_good_ones(write: Write) -> None:
    pack: list[dict[str, Any]] = [
        {"bt": T0, "n": "t/15", "u": "Cel", "v": 50.0},
        {"n": "t/45", "v": 61.9},
        {"n": "t/60", "u": "Cel", "vs": "hot"},
        {"n": "t/60", "u": "Cel", "v": 62.0, "t": 3600},
        {"n": "lon", "u": "lon", "v": 24.3},
        {"n": "t/75", "u": "Cel", "v": 55.0},
    ]
    decoded = DECODERS.decode(TOPIC, write(pack), NOW)
    assert [one.sensor.depth for one in decoded.readings] == ["15", "75"]
    assert len(decoded.refused) == 3
    assert decoded.reason().startswith("3 not used, 2 kept: t/45: its unit is missing, not Cel; ")


@pytest.mark.parametrize(
    ("value", "mark"),
    [
        (-127.0, ArrivalMark.SENTINEL), (127.94, ArrivalMark.SENTINEL), (127.9375, ArrivalMark.SENTINEL),
        (125.0, ArrivalMark.NONE), (125.1, ArrivalMark.OUT_OF_RANGE), (-55.0, ArrivalMark.NONE),
        (-55.5, ArrivalMark.OUT_OF_RANGE), (85.0, ArrivalMark.NONE), (1e300, ArrivalMark.OUT_OF_RANGE),
    ],
)  # fmt: skip
def test_what_no_pile_reads_is_kept_and_marked(value: float, mark: ArrivalMark) -> None:
    (reading,) = read([{"n": "t/45", "u": "Cel", "t": T0, "v": value}])
    assert (reading.value, reading.mark) == (value, mark)


def test_plain_json_as_in_the_contract() -> None:
    payload = b'{"time":"2026-11-25T06:00:00Z","celsius":{"15":48.2,"45":61.9},"battery_percent":87,"rssi_dbm":-92}\n'
    at = Millis(T0 * 1000)
    assert read(payload) == [
        Reading(key("15"), at, 48.2, NOW),
        Reading(key("45"), at, 61.9, NOW),
        Reading(key("", "battery_percent"), at, 87, NOW),
        Reading(key("", "rssi"), at, -92, NOW),
    ]


def test_plain_json_without_a_time_is_of_the_time_of_receipt() -> None:
    (reading,) = read({"celsius": {"45": 61}})
    assert (reading.at, reading.mark) == (NOW, ArrivalMark.NO_TIME)


@pytest.mark.parametrize(
    ("fahrenheit", "celsius", "mark"),
    [(131, 55.0, ArrivalMark.NONE), (32, 0.0, ArrivalMark.NONE), (-196.6, -127.0, ArrivalMark.SENTINEL)],
)
def test_plain_json_in_fahrenheit_is_kept_in_celsius(
    fahrenheit: float, celsius: float, mark: ArrivalMark
) -> None:
    (reading,) = read({"time": "2026-11-25T07:00:00+01:00", "fahrenheit": {"45": fahrenheit}})
    assert reading.value == pytest.approx(celsius, abs=1e-9)
    assert (reading.mark, reading.at) == (mark, T0 * 1000)


def test_a_null_among_values_is_refused_and_the_others_are_kept() -> None:
    decoded = DECODERS.decode(TOPIC, b'{"celsius":{"15":null,"45":61.9}}', NOW)
    assert [one.sensor.depth for one in decoded.readings] == ["45"]
    assert decoded.refused == ["celsius 15: its value is missing, not a number"]


def test_the_limits_of_time_are_as_in_the_contract() -> None:
    ahead = (NOW + 10 * MINUTE) / 1000
    earliest = parse_time("2000-01-01T00:00:00Z") / 1000
    assert (
        len(
            read(
                [
                    {"n": "t/45", "u": "Cel", "t": ahead, "v": 1},
                    {"n": "t/45", "u": "Cel", "t": earliest, "v": 1},
                ]
            )
        )
        == 2
    )
    assert "more than 10 min ahead" in refusal([{"n": "t/45", "u": "Cel", "t": ahead + 0.001, "v": 1}])
    assert "before 2000-01-01" in refusal([{"n": "t/45", "u": "Cel", "t": earliest - 0.001, "v": 1}])
    assert "before 2000-01-01" in refusal([{"n": "t/45", "u": "Cel", "t": -1e12, "v": 1}])
    assert "before 2000-01-01" in refusal({"time": "1970-01-01T00:00:00Z", "celsius": {"45": 1}})
    assert "more than 10 min ahead" in refusal({"time": "2026-11-25T06:11:00Z", "celsius": {"45": 1}})


def test_the_limits_of_size_are_as_in_the_contract() -> None:
    record = {"n": "t/1", "u": "Cel", "v": 1}
    filler = b" " * (65_536 - len(json.dumps([record])))
    assert read(json.dumps([record]).encode() + filler)
    assert "65536 are the most" in refusal(json.dumps([record]).encode() + filler + b" ")
    most = cbor2.dumps([{}] * 9_999 + [{0: "t/1", 1: "Cel", 2: 1}])
    assert len(read(most)) == 1
    assert "10000 are the most" in refusal(cbor2.dumps([{}] * 10_000 + [{0: "t/1", 1: "Cel", 2: 1}]))


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"", "empty"),
        (b" \n", "empty"),
        (b"21.5", "0x32"),
        (b"\xef\xbb\xbf[]", "0xef"),
        (b"[", "not JSON"),
        (b"[" * 60_000, "nested too deep"),
        (b'{"celsius":' * 5_000, "nested too deep"),
        (b'[{"n":"t/45","u":"Cel","v":NaN}]', "NaN"),
        (b'[{"n":"t/45","u":"Cel","v":-Infinity}]', "Infinity"),
        (b'[{"n":"t/45","u":"Cel","v":1e999}]', "finite"),
        (b'[{"n":"t/45","u":"Cel","v":1' + b"0" * 400 + b"}]", "finite"),
        (b'[{"n":"t/45","u":"Cel","v":1' + b"0" * 5_000 + b"}]", "too long"),
        (b'[{"n":"t/45","u":"Cel","v":true}]', "true or false"),
        (b'[{"n":"t/45","u":"Cel","v":"61"}]', "text"),
        (b'[{"n":"t/45","u":"Cel","v":[61]}]', "a list"),
        (b'[{"n":"t/45","u":"Cel","v":1,"v":2}]', "same name twice"),
        (b'[{"n":"t/45","u":"Cel","v":1,"vs":"x"}]', "more than one value"),
        (b'[{"n":"t/\xff","u":"Cel","v":1}]', "not UTF-8"),
        (b'[{"n":"t/\\ud800","u":"Cel","v":1}]', "depth"),
        (b'[{"n":"t/45","u":"Cel","t":1e300,"v":1}]', "bounds"),
        (b'[{"n":"t/45","u":"Cel","t":"noon","v":1}]', "not a number"),
        (b'[{"n":"t/45","u":"K","v":333}]', "unit is K, not Cel"),
        (b'[{"n":"t/","u":"Cel","v":1}]', "without a depth"),
        (b'[{"n":"t/-5","u":"Cel","v":1}]', "neither a depth"),
        (b'[{"n":"t/nan","u":"Cel","v":1}]', None),
        (b'[{"u":"Cel","v":1}]', "no name"),
        (b'[{"n":"t/45","u":"Cel"}]', "no value"),
        (b'[{"n":"t/45","u":"Cel","s":5}]', "no number"),
        (b'[{"n":"lon","u":"lon","v":5}]', "no record has a name"),
        (b"[]", "no record has a name"),
        (b"[1,2]", "not an object"),
        (b"{}", "none of celsius"),
        (b'{"celsius":61}', "not an object of depths"),
        (b'{"celsius":{"45":"hot"}}', "text"),
        (b'{"celsius":{"":5}}', "without a depth"),
        (b'{"celsius":{"45":1},"fahrenheit":{"45":1}}', "both"),
        (b'{"time":"2026-11-25T06:00:00","celsius":{"45":1}}', "no UTC offset"),
        (b'{"time":1795000000,"celsius":{"45":1}}', "not ISO 8601"),
        (b'{"time":"0001-01-01T00:00:00+14:00","celsius":{"45":1}}', ""),
        (b'{"time":"9999-12-31T23:59:59-14:00","celsius":{"45":1}}', ""),
        (b'{"fahrenheit":{"45":1.7e308}}', None),
        (b'{"celsius":{"45":1}} {}', "Extra data"),
        (b"\x81", "ends too early"),
        (b"\x9b\xff\xff\xff\xff\xff\xff\xff\xff", "ends too early"),
        (b"\x81" * 60_000, "nesting"),
        (b"\x81\xa2\x00\x61a\x00\x61b", "not CBOR"),
        (b"\x81\xa2\x02\x01\x61v\x02", "same field twice"),
        (b"\x81\x01\x02", "bytes after"),
        (b"\x81\xa3\x00\x64t/45\x01\x63Cel\x02\xf9\x7e\x00", "finite"),
        (b"\x81\xa3\x00\x64t/45\x01\x63Cel\x02\xf5", "true or false"),
        (b"\x81\xa3\x00\x64t/45\x01\x63Cel\x02\xc2\x58\x90" + b"\xff" * 0x90, "finite"),
        (b"\x81\xa3\x00\x64t/45\x01\x63Cel\x02\xc4\x82\x1a\x7f\xff\xff\xff\x01", None),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_refused_with_a_reason(payload: bytes, why: str | None) -> None:
    if why is None:  # odd, but a value: a level called nan, a number out of range
        try:
            decoded = DECODERS.decode(TOPIC, payload, NOW)
        except DecodeError:
            return
        assert decoded.readings
    else:
        assert why in refusal(payload)


@pytest.mark.parametrize(
    "topic",
    ["turnbell/larkfield/readings", "turnbell/a/b/c/readings", "turnbell//b/readings", "turnbell/a b/c/readings",
     "turnbell/a/" + "x" * 65 + "/readings", "turnbell/a/é/readings", "turnbell/a/b/other", "barn/a/b/readings", ""],
)  # fmt: skip
def test_a_topic_outside_the_contract_is_refused(topic: str) -> None:
    assert "topic" in refusal([{"n": "t/45", "u": "Cel", "v": 1}], topic)


def test_a_decimal_fraction_in_cbor_is_a_number() -> None:
    payload = b"\x81\xa3\x00\x64t/45\x01\x63Cel\x02\xc4\x82\x20\x19\x02\x6b"  # 619 x 10^-1
    assert read(payload)[0].value == 61.9


def test_every_format_of_the_table_has_a_case_here() -> None:
    assert {form.name for form in FORMATS} == {"SenML JSON", "SenML CBOR", "plain JSON", "mapped JSON"}
