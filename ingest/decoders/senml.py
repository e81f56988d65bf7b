"""SenML packs (RFC 8428), whatever they were written in: resolve the base fields, then find our sensors by name."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

from ingest.decoded import Decoded, DecodeError
from ingest.figures import Refused, nothing_used, number, printable, reading, sensor
from ingest.screening import EARLIEST, MAX_AHEAD_MS, MAX_RECORDS, mark_of
from ingest.topics import Origin
from shared.readings import ArrivalMark, Quantity, Reading, SensorKey
from shared.times import Millis

VERSION = 10
ABSOLUTE_FROM_S = 2**28
"""RFC 8428 section 4.5.3: smaller times are seconds from roughly now."""

_BASE = frozenset({"bn", "bt", "bu", "bv", "bs", "bver"})
_RESOLVED = _BASE | {"n", "u", "v", "s", "t"}
_KNOWN = _RESOLVED | {"vs", "vb", "vd", "ut"}
_QUICK = frozenset({"n", "u", "v", "t"})
_EXACT = 2**53
_LATEST_S = 1e12
_NUMBERS = (int, float)
_OURS = re.compile(r"(?:(?P<what>t|o2|moisture)/(?P<depth>[^/]*)|(?P<own>battery|rssi))$")
_BY_NAME: Mapping[tuple[str, str | None], Quantity] = {
    ("t", "Cel"): "temperature", ("o2", "%"): "oxygen", ("moisture", "%"): "moisture",
    ("battery", "%EL"): "battery_percent", ("battery", "V"): "battery_volt", ("rssi", "dBm"): "rssi",
}  # fmt: skip


class Resolved(NamedTuple):
    """A record with its base fields applied. ``extra`` holds the value kinds and fields that are not numbers."""

    name: str
    unit: str | None
    value: float | None
    total: float | None
    at_s: float
    by_receipt: bool  # its time leans on the time of receipt
    extra: Mapping[str, Any]


def resolve(records: Sequence[Any], received_at: Millis) -> Iterator[Resolved | Refused]:
    """Apply the base fields as RFC 8428 sections 4.1-4.6 say; a record that cannot be used comes out as its Refused.

    Raises DecodeError for what spoils the pack as a whole: a version to come, a field that must be understood, a base
    field of the wrong kind (all records after it would be wrong).
    """
    base = _Base(received_at / 1000)
    for record in records:
        resolved = _resolve_one(base, record)
        if resolved is not None:
            yield resolved


def _resolve_one(base: _Base, record: object) -> Resolved | Refused | None:
    if not isinstance(record, dict):
        return Refused("a record is not an object")
    if not record.keys() <= _KNOWN:
        _must_understand(record)
    if not _BASE.isdisjoint(record):
        base.take(record)
    if record.keys() <= _BASE:
        return None  # a record of base fields alone measures nothing
    try:
        return base.resolve(record)
    except Refused as refused:
        return Refused(f"{printable(base.name + str(record.get('n', ''))) or 'no name'}: {refused}")


class _Base:
    """The base fields in force at one place of the pack."""

    def __init__(self, now_s: float) -> None:
        self.now_s = now_s
        self.name = ""
        self.unit: str | None = None
        self.time: float | None = None
        self.value: float | None = None
        self.sum: float | None = None

    def take(self, record: Mapping[str, Any]) -> None:
        try:
            if "bver" in record and number(record["bver"]) > VERSION:
                raise DecodeError(f"the pack is of a later SenML version than {VERSION}")
            self.name = _text(record, "bn", self.name) or ""
            self.unit = _text(record, "bu", self.unit)
            self.time = _number(record, "bt", self.time)
            self.value = _number(record, "bv", self.value)
            self.sum = _number(record, "bs", self.sum)
        except Refused as refused:
            raise DecodeError(f"a base field cannot be used: {refused}") from None

    def resolve(self, record: Mapping[str, Any]) -> Resolved:
        name = self.name + (_text(record, "n", "") or "")
        if not name:
            raise Refused("the record has no name")
        value = _sum_of(self.value, record.get("v"))
        total = _sum_of(self.sum, record.get("s"))
        extra = {label: record[label] for label in record if label not in _RESOLVED}
        kinds = ("v" in record) + sum(kind in extra for kind in ("vs", "vb", "vd"))
        if kinds > 1:
            raise Refused("the record has more than one value")
        if not kinds and value is None and total is None:
            raise Refused("the record has no value")
        if kinds and "v" not in record:
            value = None
        at_s = 0.0 if self.time is None else self.time
        if "t" in record:
            at_s += number(record["t"])
        by_receipt = at_s < ABSOLUTE_FROM_S
        return Resolved(
            name, _text(record, "u", self.unit), value, total, at_s + self.now_s if by_receipt else at_s,
            by_receipt, extra,
        )  # fmt: skip


def _text(record: Mapping[str, Any], label: str, otherwise: str | None) -> str | None:
    text = record.get(label, otherwise)
    if text is None or isinstance(text, str):
        return text
    raise Refused(f"its {label} is not text")


def _number(record: Mapping[str, Any], label: str, otherwise: float | None) -> float | None:
    return number(record[label]) if label in record else otherwise


def _sum_of(base: float | None, own: object) -> float | None:
    if own is None:
        return base
    return number(own) if base is None else base + number(own)


def _must_understand(record: Mapping[Any, Any]) -> None:
    for label in record:
        if isinstance(label, str) and label.endswith("_"):
            raise DecodeError(f"the pack has a field that must be understood and is not: {printable(label)}")


def _sensor_named(origin: Origin, name: str, unit: str | None) -> SensorKey | None:
    """The sensor that a name ends in; None for a name of no concern; Refused for ours in a unit that is not."""
    meant = _meaning(name, unit)
    return None if meant is None else sensor(origin, *meant)


@lru_cache(maxsize=131_072)
def _meaning(name: str, unit: str | None) -> tuple[str, Quantity] | None:
    """Depth and quantity; apart from the probe, for most name their sensors alike."""
    found = _OURS.search(name)
    if found is None:
        return None
    what = found["what"] or found["own"]
    quantity = _BY_NAME.get((what, unit))
    if quantity is None:
        wanted = " or ".join(known for ours, known in _BY_NAME if ours == what and known)
        raise Refused(f"its unit is {printable(unit) if unit else 'missing'}, not {wanted}")
    if found["own"]:
        return "", quantity
    if not found["depth"]:
        raise Refused("its name ends without a depth")
    return found["depth"], quantity


def decode_pack(origin: Origin, pack: object, received_at: Millis) -> Decoded:
    """Readings of the sensors that we know by name; other records are let pass, ours that are wrong are refused."""
    if not isinstance(pack, (list, tuple)):
        raise DecodeError("the pack is not an array")
    if len(pack) > MAX_RECORDS:
        raise DecodeError(f"the pack has {len(pack)} records; {MAX_RECORDS} are the most")
    readings: list[Reading] = []
    refused: list[str] = []
    base = _Base(received_at / 1000)
    for record in pack:
        quick = _quick(origin, base, record, received_at)
        if quick is not None:
            readings.append(quick)
            continue
        resolved = _resolve_one(base, record)
        if isinstance(resolved, Refused):
            refused.append(str(resolved))
        elif resolved is not None:
            try:
                key = _sensor_named(origin, resolved.name, resolved.unit)
                if key is not None:
                    readings.append(_reading(key, resolved, received_at))
            except Refused as why:
                refused.append(f"{printable(resolved.name)}: {why}")
    if not readings:
        raise nothing_used(
            refused, "no record has a name that ends in t/<depth>, o2/, moisture/, battery or rssi"
        )
    return Decoded(readings, refused)


def _quick(origin: Origin, base: _Base, record: dict[str, Any], received_at: Millis) -> Reading | None:
    """A record as nearly all are: name, unit, number and absolute time, nothing wrong with it. Gives what the long way
    would give, at a quarter of its price; None = go the long way."""
    simple = type(record) is dict and record.keys() <= _QUICK and base.value is None and base.sum is None
    if not simple:
        return None
    name, unit, t = record.get("n", ""), record.get("u", base.unit), record.get("t", 0)
    value: Any = record.get("v")
    if type(value) is int and -_EXACT < value < _EXACT:
        value = float(value)
    if not (type(value) is float and type(t) in _NUMBERS and type(name) is str and type(unit) is str):
        return None
    at_s = t if base.time is None else base.time + t
    if not (ABSOLUTE_FROM_S <= at_s < _LATEST_S and -_EXACT < value < _EXACT):
        return None
    at = round(at_s * 1000)
    try:
        key = _sensor_named(origin, base.name + name, unit)
    except Refused:
        key = None
    if key is None or not EARLIEST <= at <= received_at + MAX_AHEAD_MS:
        return None
    return Reading(key, Millis(at), value, received_at, mark_of(key.quantity, value))


def _reading(key: SensorKey, record: Resolved, received_at: Millis) -> Reading:
    if record.value is None:
        raise Refused("it has no number as its value")
    if not abs(record.at_s) < 1e13:
        raise Refused("its time is out of all bounds")
    if record.by_receipt:
        return reading(key, round(record.at_s * 1000), record.value, received_at, ArrivalMark.NO_TIME)
    return reading(key, round(record.at_s * 1000), record.value, received_at)
