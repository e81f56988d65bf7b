"""SenML as JSON: ``[{"bn": "K-01:", "n": "t/45", "u": "Cel", "v": 61.9}]``."""

from __future__ import annotations

from ingest.decoded import Decoded
from ingest.decoders.senml import decode_pack
from ingest.decoders.strict_json import loads
from ingest.topics import Origin
from shared.times import Millis


def decode(origin: Origin, payload: bytes, received_at: Millis) -> Decoded:
    return decode_pack(origin, loads(payload), received_at)
