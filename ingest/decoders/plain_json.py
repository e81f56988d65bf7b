"""The plain object: ``{"time": "2026-11-25T06:00:00Z", "celsius": {"15": 48.2, "45": 61.9}, "battery_percent": 87}``."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

from ingest.decoded import Decoded, DecodeError
from ingest.decoders.strict_json import loads
from ingest.figures import Refused, nothing_used, number, printable, reading, sensor
from ingest.screening import MAX_RECORDS
from ingest.topics import Origin
from shared.readings import ArrivalMark, Quantity, Reading
from shared.times import Millis, TimeError, parse_time
from shared.units import celsius


def _same(value: float) -> float:
    return value


BY_DEPTH: Final[Mapping[str, tuple[Quantity, Callable[[float], float]]]] = {
    "celsius": ("temperature", _same),
    "fahrenheit": ("temperature", celsius),
    "oxygen_percent": ("oxygen", _same),
    "moisture_percent": ("moisture", _same),
}
OF_PROBE: Final[Mapping[str, Quantity]] = {
    "battery_percent": "battery_percent",
    "battery_volt": "battery_volt",
    "rssi_dbm": "rssi",
}


def decode(origin: Origin, payload: bytes, received_at: Millis) -> Decoded:
    message = loads(payload)
    if not isinstance(message, dict):
        raise DecodeError("the JSON is not an object")
    return decode_object(origin, message, received_at)


def decode_object(origin: Origin, message: Mapping[str, Any], received_at: Millis) -> Decoded:
    """Readings of an object with the names above; other names are let pass, ours that are wrong are refused."""
    if "celsius" in message and "fahrenheit" in message:
        raise DecodeError("the object has both celsius and fahrenheit")
    at, mark = _time(message.get("time"), received_at)
    readings: list[Reading] = []
    refused: list[str] = []
    for name, depth, raw, quantity, convert in _values(message, refused):
        try:
            value = convert(number(raw))
            readings.append(reading(sensor(origin, depth, quantity), at, value, received_at, mark))
        except Refused as why:
            refused.append(f"{name}{' ' + printable(depth) if depth else ''}: {why}")
    if not readings:
        raise nothing_used(refused, f"the object has none of {', '.join((*BY_DEPTH, *OF_PROBE))}")
    return Decoded(readings, refused)


def _time(given: object, received_at: Millis) -> tuple[Millis, ArrivalMark]:
    if given is None:
        return received_at, ArrivalMark.NO_TIME
    if not isinstance(given, str):
        raise DecodeError("its time is not ISO 8601 text such as 2026-11-25T06:00:00Z")
    try:
        return parse_time(given), ArrivalMark.NONE
    except (TimeError, OverflowError) as error:
        raise DecodeError(f"its time cannot be read: {printable(error, 120)}") from None


_Value = tuple[str, str, object, Quantity, Callable[[float], float]]


def _values(message: Mapping[str, Any], refused: list[str]) -> Iterator[_Value]:
    """(name, depth or "", raw value, quantity, conversion) of each value that is ours."""
    for name, (quantity, convert) in BY_DEPTH.items():
        if name not in message:
            continue
        by_depth = message[name]
        if not isinstance(by_depth, dict):
            refused.append(f'{name}: it is not an object of depths such as {{"45": 61.9}}')
            continue
        if len(by_depth) > MAX_RECORDS:
            raise DecodeError(f"{name} has {len(by_depth)} values; {MAX_RECORDS} are the most")
        for depth, raw in by_depth.items():
            if not depth:
                refused.append(f"{name}: a value without a depth")
            else:
                yield name, depth, raw, quantity, convert
    for name, quantity in OF_PROBE.items():
        if name in message:
            yield name, "", message[name], quantity, _same
