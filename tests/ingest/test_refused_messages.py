"""What the decoders will not have, each with a reason in words."""

from __future__ import annotations

import pytest

from ingest.decoded import DecodeError
from tests.ingest.decoding import DECODERS, NOW, TOPIC, refusal


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
