from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import cbor2
import pytest

from ingest.decoders import FORMATS
from shared.readings import ArrivalMark, Reading
from shared.times import MINUTE, Millis, parse_time
from tests.ingest.decoding import DECODERS, NOW, T0, TOPIC, as_json, cbor, key, read, refusal

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


def test_a_decimal_fraction_in_cbor_is_a_number() -> None:
    payload = b"\x81\xa3\x00\x64t/45\x01\x63Cel\x02\xc4\x82\x20\x19\x02\x6b"  # 619 x 10^-1
    assert read(payload)[0].value == 61.9


def test_every_format_of_the_table_has_a_case_here() -> None:
    assert {form.name for form in FORMATS} == {"SenML JSON", "SenML CBOR", "plain JSON", "mapped JSON"}
