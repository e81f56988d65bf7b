"""SenML as CBOR: the same records with the short labels of RFC 8428 section 6."""

from __future__ import annotations

import io
from decimal import Decimal
from typing import Any, Final

import cbor2

from ingest.decoded import Decoded, DecodeError
from ingest.decoders.senml import decode_pack
from ingest.topics import Origin
from shared.times import Millis

LABELS: Final = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip
_DEEPEST = 8


def decode(origin: Origin, payload: bytes, received_at: Millis) -> Decoded:
    pack = loads(payload)
    if not isinstance(pack, (list, tuple)):
        raise DecodeError("the CBOR is not an array")
    return decode_pack(origin, [_named(record) for record in pack], received_at)


def loads(payload: bytes) -> Any:
    """Parse exactly one item, or raise DecodeError with a reason."""
    stream = io.BytesIO(payload)
    try:
        item = cbor2.CBORDecoder(stream, max_depth=_DEEPEST, allow_duplicate_keys=False).decode()
    except cbor2.CBORDecodeEOF:
        raise DecodeError("the CBOR ends too early") from None
    except cbor2.CBORDecodeError as error:
        raise DecodeError(f"the payload is not CBOR that SenML allows: {error}"[:120]) from None
    if stream.tell() != len(payload):
        raise DecodeError("there are bytes after the CBOR array")
    return item


def _named(record: object) -> object:
    """The record with names for its numbers; a label that nobody defined is left out, as RFC 8428 section 4.4 says."""
    if not isinstance(record, dict):
        return record
    named: dict[str, Any] = {}
    for label, value in record.items():
        name = LABELS.get(label) if isinstance(label, int) and not isinstance(label, bool) else label
        if not isinstance(name, str):
            continue
        if name in named:
            raise DecodeError("a CBOR record has the same field twice")
        named[name] = _plain(value)
    return named


def _plain(value: object) -> object:
    """A decimal fraction (CBOR tag 4) is a number like any other."""
    if isinstance(value, Decimal):
        return float(value) if value.is_finite() and -400 < value.adjusted() < 309 else float("inf")
    return value
