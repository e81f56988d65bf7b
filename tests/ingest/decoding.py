"""A message through the decoders, as the tests of them send it."""

from __future__ import annotations

import json
from typing import Any

import cbor2
import pytest

from ingest.decoded import DecodeError
from ingest.decoders import Decoders, senml_cbor
from shared.readings import Reading, SensorKey
from shared.times import parse_time

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
