"""Which decoder reads a message. A new one is one file here and one line in ``FORMATS``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final, NamedTuple

from ingest.decoded import Decode, Decoded, DecodeError
from ingest.decoders import mapped_json, plain_json, senml_cbor, senml_json
from ingest.screening import MAX_BYTES
from ingest.topics import TopicError, parse_topic
from shared.times import Millis


class Format(NamedTuple):
    name: str
    first_bytes: bytes
    build: Callable[[Mapping[str, Any]], Decode]  # from ``settings.decoders``


FORMATS: Final = (
    Format("SenML JSON", b"[", lambda _: senml_json.decode),
    Format("SenML CBOR", bytes(range(0x80, 0xA0)), lambda _: senml_cbor.decode),
    Format("mapped JSON", b"{", lambda mappings: mapped_json.Mapped(mappings).decode),
    Format("plain JSON", b"{", lambda _: plain_json.decode),
)


class Decoders:
    """All formats, asked in the order of the table; SettingsError for a mapping that cannot be used."""

    def __init__(self, mappings: Mapping[str, Any]) -> None:
        self._by_first: dict[int, list[Decode]] = {}
        for form in FORMATS:
            decode = form.build(mappings)
            for first in form.first_bytes:
                self._by_first.setdefault(first, []).append(decode)
        self._foreign = mapped_json.Foreign(mappings)

    @property
    def filters(self) -> tuple[str, ...]:
        """Topic filters beyond the contract's own that the mappings name."""
        return self._foreign.filters

    def decode(self, topic: str, payload: bytes, received_at: Millis) -> Decoded:
        """Pure; raises DecodeError, and nothing else, for whatever bytes come."""
        if len(payload) > MAX_BYTES:
            raise DecodeError(f"the payload has {len(payload)} bytes; {MAX_BYTES} are the most")
        try:
            return self._decode(topic, payload, received_at)
        except DecodeError:
            raise
        except TopicError as error:
            raise DecodeError(str(error)) from None
        except (ArithmeticError, AttributeError, LookupError, RecursionError, TypeError, ValueError) as error:
            # a hole in a decoder: the message waits in the quarantine until the decoder is mended
            raise DecodeError(f"the decoder gave up: {type(error).__name__}") from error

    def _decode(self, topic: str, payload: bytes, received_at: Millis) -> Decoded:
        foreign = self._foreign.decode(topic, payload, received_at)
        if foreign is not None:
            return foreign
        origin = parse_topic(topic).origin
        payload = payload.lstrip(b" \t\r\n")
        if not payload:
            raise DecodeError("the payload is empty")
        for decode in self._by_first.get(payload[0], ()):
            decoded = decode(origin, payload, received_at)
            if decoded is not None:
                return decoded
        raise DecodeError(f"the first byte, 0x{payload[0]:02x}, begins none of the known formats")
