"""Payloads as probes send them, a folder for each format, with what each must give beside it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from ingest.decoded import DecodeError
from ingest.decoders import FORMATS, Decoders
from shared.readings import ArrivalMark
from shared.times import iso, parse_time

CASES = Path(__file__).parents[1] / "cases"
FOLDERS = {
    "SenML JSON": "senml_json",
    "SenML CBOR": "senml_cbor",
    "plain JSON": "plain_json",
    "mapped JSON": "mapped",
}
NOW = parse_time("2026-11-25T06:00:30Z")
ANSWERS = sorted(CASES.glob("*/*.answer.json"))


def answer(payload: bytes) -> dict[str, Any]:
    try:
        decoded = Decoders({}).decode("turnbell/larkfield/lance-01/readings", payload, NOW)
    except DecodeError as error:
        return {"error": str(error)}
    readings = [
        [one.sensor.depth, one.sensor.quantity, iso(one.at), one.value, ArrivalMark(one.mark).name]
        for one in decoded.readings
    ]
    return {"readings": readings, "refused": list(decoded.refused)}


@pytest.mark.parametrize("file", ANSWERS, ids=lambda file: f"{file.parent.name}/{file.name}")
def test_a_captured_payload_gives_its_answer(file: Path) -> None:
    name = file.name.removesuffix(".answer.json")
    (payload,) = (one for one in file.parent.glob(f"{name}.*") if one != file)
    assert answer(payload.read_bytes()) == json.loads(file.read_text("utf-8"))


def test_every_format_has_a_folder_of_captured_cases() -> None:
    assert {form.name for form in FORMATS} == set(FOLDERS)
    for folder in FOLDERS.values():
        assert len(list((CASES / folder).iterdir())) >= 2
