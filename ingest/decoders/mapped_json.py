"""Any other JSON uplink, told by JMESPath expressions in the config where the figures are.

::

    [decoders.radio]
    topic = "radio/uplink/+"                   # with site and probe: a topic of its own; without: turnbell/+/+/readings
    site = "'larkfield'"
    probe = "device.name"
    when = "type == 'uplink'"                  # the messages that this is for; absent = all
    time = "received_at"                       # ISO 8601, or seconds or milliseconds since 1970; absent = receipt
    battery_percent = "object.battery"
    rssi_dbm = "max_by(gateways, &rssi).rssi"
    [decoders.radio.celsius]                   # or fahrenheit, oxygen_percent, moisture_percent: depth -> expression
    15 = "scale(integer(base64(payload), `0`, 'i16'), `0.01`)"
    45 = "scale(integer(base64(payload), `2`, 'i16'), `0.01`)"

Beside JMESPath's own functions there are ``base64(text)`` and ``hex(text)`` -> bytes as a list of whole numbers,
``integer(bytes, offset, kind)`` with kind u8 i8 u16 i16 u32 i32 (big-endian; u16le and so on little-endian),
``scale(number, factor)`` and ``shift(number, by)``. Of a field that is not there each of them makes nothing.
"""

from __future__ import annotations

import binascii
from collections.abc import Mapping
from typing import Any

import jmespath
from jmespath import functions
from jmespath.exceptions import JMESPathError
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ingest.decoded import Decoded, DecodeError
from ingest.decoders.plain_json import BY_DEPTH, OF_PROBE, decode_object
from ingest.decoders.strict_json import loads
from ingest.figures import printable
from ingest.topics import Origin, is_name, topic_matches
from shared.settings import SettingsError
from shared.times import Millis, iso

_KINDS = {f"{sign}{8 * size}": (size, sign == "i") for size in (1, 2, 4) for sign in "ui"}
_MILLIS_FROM = 100_000_000_000  # as seconds this would be the year 5138


class _Functions(functions.Functions):
    @functions.signature({"types": ["string", "null"]})
    def _func_base64(self, text: str | None) -> list[int] | None:
        if text is None:
            return None
        try:
            return list(binascii.a2b_base64(text, strict_mode=True))
        except (binascii.Error, ValueError):
            raise DecodeError("a field that should hold base64 does not") from None

    @functions.signature({"types": ["string", "null"]})
    def _func_hex(self, text: str | None) -> list[int] | None:
        if text is None:
            return None
        try:
            return list(bytes.fromhex(text))
        except ValueError:
            raise DecodeError("a field that should hold hexadecimal digits does not") from None

    @functions.signature({"types": ["array", "null"]}, {"types": ["number"]}, {"types": ["string"]})
    def _func_integer(self, octets: list[Any] | None, offset: float, kind: str) -> int | None:
        size, signed = _KINDS.get(kind.removesuffix("le"), (0, False))
        if not size:
            raise DecodeError(f"integer() knows no kind {printable(kind)}")
        if octets is None:
            return None
        try:
            piece = bytes(octets[int(offset) : int(offset) + size]) if offset >= 0 else b""
        except (TypeError, ValueError):
            raise DecodeError("integer() wants bytes, whole numbers from 0 to 255") from None
        if len(piece) < size:
            return None  # a shorter uplink simply has no such field
        return int.from_bytes(piece, "little" if kind.endswith("le") else "big", signed=signed)

    @functions.signature({"types": ["number", "null"]}, {"types": ["number"]})
    def _func_scale(self, value: float | None, factor: float) -> float | None:
        return None if value is None else value * factor

    @functions.signature({"types": ["number", "null"]}, {"types": ["number"]})
    def _func_shift(self, value: float | None, by: float) -> float | None:
        return None if value is None else value + by


_OPTIONS = jmespath.Options(custom_functions=_Functions())


class _Config(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    topic: str | None = None
    site: str | None = None
    probe: str | None = None
    when: str | None = None
    time: str | None = None
    celsius: dict[str, str] = Field(default_factory=dict)
    fahrenheit: dict[str, str] = Field(default_factory=dict)
    oxygen_percent: dict[str, str] = Field(default_factory=dict)
    moisture_percent: dict[str, str] = Field(default_factory=dict)
    battery_percent: str | None = None
    battery_volt: str | None = None
    rssi_dbm: str | None = None


class OneMapping:
    """One compiled mapping."""

    def __init__(self, name: str, raw: object) -> None:
        self.name = name
        try:
            config = _Config.model_validate(raw)
        except ValidationError as error:
            first = error.errors()[0]
            raise SettingsError(".".join(map(str, ("decoders", name, *first["loc"]))), first["msg"]) from None
        if (config.topic is None) != (config.site is None and config.probe is None) or (
            (config.site is None) != (config.probe is None)
        ):
            raise SettingsError(
                f"decoders.{name}", "topic, site and probe go together: give all three or none"
            )
        self.topic = config.topic
        self._site, self._probe = self._compile(config.site), self._compile(config.probe)
        self._when, self._time = self._compile(config.when), self._compile(config.time)
        self._by_depth = {
            figure: {depth: self._compile(text) for depth, text in getattr(config, figure).items()}
            for figure in BY_DEPTH
        }
        self._of_probe = {figure: self._compile(getattr(config, figure)) for figure in OF_PROBE}
        if not any(self._by_depth.values()) and not any(self._of_probe.values()):
            raise SettingsError(f"decoders.{name}", "names no figure, for example [decoders.NAME.celsius]")

    def _compile(self, text: str | None) -> Any:
        if text is None:
            return None
        try:
            return jmespath.compile(text)
        except JMESPathError as error:
            hint = str(error).splitlines()[0]
            raise SettingsError(f"decoders.{self.name}", f"{text!r} is no JMESPath: {hint}") from None

    def _find(self, expression: Any, message: object) -> Any:
        if expression is None:
            return None
        try:
            return expression.search(message, options=_OPTIONS)
        except DecodeError as error:
            raise DecodeError(f"mapping {self.name}: {error}") from None
        except JMESPathError as error:
            reason = printable(str(error).splitlines()[0], 120)
            raise DecodeError(f"mapping {self.name} does not fit: {reason}") from None

    def takes(self, message: object) -> bool:
        return self._when is None or bool(self._find(self._when, message))

    def origin(self, message: object) -> Origin:
        site, probe = self._find(self._site, message), self._find(self._probe, message)
        for what, name in (("site", site), ("probe", probe)):
            if not is_name(name):
                raise DecodeError(f"mapping {self.name}: its {what} is not 1-64 of A-Z a-z 0-9 _ -")
        return Origin(site, probe)

    def decode(self, origin: Origin, message: object, received_at: Millis) -> Decoded:
        plain: dict[str, Any] = {}
        for figure, by_depth in self._by_depth.items():
            found = {depth: self._find(expression, message) for depth, expression in by_depth.items()}
            if present := {depth: value for depth, value in found.items() if value is not None}:
                plain[figure] = present
        for figure, expression in self._of_probe.items():
            value = self._find(expression, message)
            if value is not None:
                plain[figure] = value
        plain["time"] = _time_text(self._find(self._time, message))
        return decode_object(origin, plain, received_at)


def _time_text(found: object) -> object:
    if isinstance(found, bool) or not isinstance(found, (int, float)):
        return found
    if not 0 <= found < 250_000_000_000_000:
        raise DecodeError("its time is out of all bounds")
    return iso(Millis(round(found if found >= _MILLIS_FROM else found * 1000)))


class Mapped:
    """The mappings for the contract's own topics, asked before plain JSON."""

    def __init__(self, mappings: Mapping[str, Any]) -> None:
        compiled = [OneMapping(name, raw) for name, raw in mappings.items()]
        self._mappings = [mapping for mapping in compiled if mapping.topic is None]

    def decode(self, origin: Origin, payload: bytes, received_at: Millis) -> Decoded | None:
        if not self._mappings:
            return None
        message = loads(payload)
        for mapping in self._mappings:
            if mapping.takes(message):
                return mapping.decode(origin, message, received_at)
        return None


class Foreign:
    """The mappings with a topic of their own."""

    def __init__(self, mappings: Mapping[str, Any]) -> None:
        compiled = [OneMapping(name, raw) for name, raw in mappings.items()]
        self._mappings = [(mapping.topic, mapping) for mapping in compiled if mapping.topic is not None]

    @property
    def filters(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(topic for topic, _ in self._mappings))

    def decode(self, topic: str, payload: bytes, received_at: Millis) -> Decoded | None:
        """None when the topic is of no mapping's; DecodeError when it is and no mapping takes the message."""
        ours = [mapping for pattern, mapping in self._mappings if topic_matches(pattern, topic)]
        if not ours:
            return None
        message = loads(payload)
        for mapping in ours:
            if mapping.takes(message):
                return mapping.decode(mapping.origin(message), message, received_at)
        raise DecodeError("no mapping of this topic takes the message")
