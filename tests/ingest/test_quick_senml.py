"""The quick way through a SenML pack gives what the long way gives."""

from __future__ import annotations

from typing import Any
from unittest import mock

from hypothesis import given, settings

from ingest.decoded import Decoded, DecodeError
from ingest.decoders import senml
from ingest.topics import Origin
from shared.times import Millis
from tests.e2e.ingest_fuzz import PACKS

NOW = Millis(1_800_000_000_000)


def outcome(pack: list[Any]) -> Decoded | str:
    try:
        return senml.decode_pack(Origin("larkfield", "K-01"), pack, NOW)
    except (DecodeError, OverflowError) as error:
        return str(error)


@settings(max_examples=400)
@given(PACKS)
def test_every_pack_reads_the_same_by_both_ways(pack: list[Any]) -> None:
    usual = [
        {"bn": "t/", "n": "45", "u": "Cel", "v": 61, "bt": 1.79e9},
        {"n": "15", "u": "Cel", "v": 48.25, "t": -3},
    ]
    for mixed in (pack, usual + pack, pack + usual):
        quick = outcome(mixed)
        with mock.patch.object(senml, "_quick", return_value=None):
            assert repr(outcome(mixed)) == repr(quick)


def test_a_usual_record_goes_the_quick_way() -> None:
    origin = Origin("larkfield", "K-01")
    base = senml._Base(NOW / 1000)
    reading = senml._quick(origin, base, {"n": "t/45", "u": "Cel", "v": 61, "t": 1.79e9}, NOW)
    assert reading is not None
    assert (reading.at, reading.value) == (1_790_000_000_000, 61.0)
