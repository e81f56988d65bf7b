"""The AsyncAPI document: valid by the specification's own schema, and true of the ingester."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from api.pages.help_page import HELP
from ingest.decoders import Decoders
from shared.times import parse_time
from tests.json_schema import validator

SPECIFICATION = Path(__file__).parents[1] / "cases" / "asyncapi" / "3.0.0.schema.json"
DOCUMENT: dict[str, Any] = json.loads((HELP / "asyncapi.json").read_text("utf-8"))
RECEIVED = parse_time("2026-11-25T06:00:30Z")


def test_the_document_is_valid_by_the_schema_of_asyncapi_3_0_0() -> None:
    """Source: the AsyncAPI Initiative's JSON Schema of the specification, see the README beside it."""
    schema = json.loads(SPECIFICATION.read_text("utf-8"))
    specified = validator(schema, "7")
    assert [error.message for error in specified.iter_errors(DOCUMENT)] == []
    broken = {**DOCUMENT, "operations": {"receiveReadings": {"action": "listen"}}}
    assert not specified.is_valid(broken)


@pytest.mark.parametrize("name", ["plain", "senml"])
def test_an_example_fits_its_schema_and_is_read_by_the_ingester(name: str) -> None:
    message = DOCUMENT["components"]["messages"][name]
    schema = {**DOCUMENT["components"]["schemas"][name], "components": DOCUMENT["components"]}
    for example in message["examples"]:
        validator(schema).validate(example["payload"])
        topic = DOCUMENT["channels"]["readings"]["address"].format(site="larkfield", probe="lance-01")
        decoded = Decoders({}).decode(topic, json.dumps(example["payload"]).encode(), RECEIVED)
        assert [(one.sensor.depth, one.value) for one in decoded.readings if one.sensor.depth] == [
            ("15", 48.2),
            ("45", 61.9),
        ]
