"""The sketch for a board runs, on stand-ins for the board, and what it sends is read by our decoder."""

from __future__ import annotations

import sys
import time
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

from ingest.decoders import Decoders
from shared.readings import ArrivalMark, Reading
from shared.times import Millis, SystemClock
from tests.docs.blocks import blocks

TOPIC = "turnbell/larkfield/lance-01/readings"
NOW_S = 1_795_586_400
NOW = Millis(NOW_S * 1000)


def modules() -> tuple[str, str]:
    payload, main = (block.text for block in blocks("python") if block.file == "build_a_probe.md")
    return payload, main


def module(name: str, text: str) -> ModuleType:
    made = ModuleType(name)
    exec(compile(text, name, "exec"), made.__dict__)  # noqa: S102 - the text of our own guide
    return made


def read(payload: str, now: Millis = NOW) -> list[Reading]:
    decoded = Decoders({}).decode(TOPIC, payload.encode(), now)
    assert not decoded.refused
    return list(decoded.readings)


def test_the_payload_of_the_sketch_says_what_was_measured() -> None:
    pack = module("payload", modules()[0]).pack
    measured = [(NOW_S - 600, {45: 61.25, 7.5: 40.0}), (NOW_S, {45: 61.5, 7.5: 40.5})]
    readings = read(pack("lance-01", measured, battery_volt=3.614, rssi_dbm=-71))
    got = {(one.sensor.depth, one.sensor.quantity, one.at, one.value) for one in readings}
    before = NOW - 600_000
    assert got == {
        ("7.5", "temperature", before, 40.0), ("45", "temperature", before, 61.25),
        ("7.5", "temperature", NOW, 40.5), ("45", "temperature", NOW, 61.5),
        ("", "battery_volt", NOW, 3.61), ("", "rssi", NOW, -71.0),
    }  # fmt: skip
    assert {one.mark for one in readings} == {ArrivalMark.NONE}


class Board:
    """Stand-ins for the board's own modules."""

    def __init__(self, values: list[float]) -> None:
        self.published: list[tuple[str, str, int]] = []
        self.reachable = True
        self.values = values
        board = self

        class Client:
            def __init__(self, *_: Any, **__: Any) -> None:
                pass

            def connect(self) -> None:
                if not board.reachable:
                    raise OSError("no route")

            def publish(self, topic: str, payload: str, qos: int) -> None:
                board.published.append((topic, payload, qos))

            def disconnect(self) -> None:
                pass

        def read_temp(address: int) -> float:
            return board.values.pop(0)

        sensors = SimpleNamespace(scan=lambda: [1, 2, 3], convert_temp=lambda: None, read_temp=read_temp)
        wlan = SimpleNamespace(
            active=lambda _: None, connect=lambda *_: None, isconnected=lambda: True, status=lambda _: -71
        )
        self.modules: dict[str, Any] = {
            "machine": SimpleNamespace(Pin=lambda number: number),
            "network": SimpleNamespace(WLAN=lambda _: wlan, STA_IF=0),
            "ntptime": SimpleNamespace(settime=lambda: None),
            "onewire": SimpleNamespace(OneWire=lambda pin: pin),
            "ds18x20": SimpleNamespace(DS18X20=lambda _: sensors),
            "time": SimpleNamespace(sleep_ms=lambda _: None, time=lambda: time.time() - 946_684_800),
            "umqtt": ModuleType("umqtt"),
            "umqtt.simple": SimpleNamespace(MQTTClient=Client),
        }


def test_the_program_sends_what_it_measured_and_later_what_it_could_not_send(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    payload, main = modules()
    board = Board([85.0, 60.0, 50.0, 40.0, 60.5, 50.5, 40.1, 60.6, 50.6, 40.2, 60.7, 50.7, 40.3, 60.8, 50.8])
    for name, made in {**board.modules, "payload": module("payload", payload)}.items():
        monkeypatch.setitem(sys.modules, name, made)
    program = module("main", main)
    kept: list[Any] = []
    before: list[Any] = []

    def wakes(seconds_on: int) -> None:
        board.modules["time"].time = lambda: time.time() - 946_684_800 - 60 + seconds_on
        program.run(kept, before)

    board.reachable = False
    wakes(0)
    assert board.published == []
    board.reachable = True
    wakes(10)
    assert kept == []
    ((topic, sent, qos),) = board.published
    assert (topic, qos) == (TOPIC, 1)
    first = [("15", 40.0), ("45", 60.5), ("75", 50.5)]
    second = [("15", 40.1), ("45", 60.6), ("75", 50.6)]
    assert temperatures(sent) == first + second, "no 85.0"
    wakes(20)
    third = [("15", 40.2), ("45", 60.7), ("75", 50.7)]
    assert temperatures(board.published[1][1]) == first + second + third, "the last message once more"
    wakes(30)
    fourth = [("15", 40.3), ("45", 60.8), ("75", 50.8)]
    assert temperatures(board.published[2][1]) == third + fourth


def temperatures(sent: str) -> list[tuple[str, float]]:
    readings = [one for one in read(sent, SystemClock().now()) if one.sensor.quantity == "temperature"]
    return [(one.sensor.depth, one.value) for one in readings]
