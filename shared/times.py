"""Instants are whole milliseconds since 1970-01-01T00:00:00Z; zones exist only at the edges."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import NewType, Protocol
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

Millis = NewType("Millis", int)
"""An instant: whole milliseconds since the epoch, UTC."""

SECOND = 1_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR


class TimeError(ValueError):
    """A text that is no instant, or a zone that does not exist."""


class Clock(Protocol):
    """Where the present comes from. Nothing under ``shared.heat`` or in a verdict ever asks it."""

    def now(self) -> Millis: ...


class SystemClock:
    def now(self) -> Millis:
        return Millis(time.time_ns() // 1_000_000)


class ScaledClock:
    """A clock that starts at ``origin`` and runs ``speed`` times as fast as the machine's (the demo's)."""

    def __init__(self, origin: Millis, speed: float) -> None:
        self.restart(origin, speed)

    def restart(self, origin: Millis, speed: float) -> None:
        """From now on: ``origin`` and onwards at ``speed``."""
        self.origin, self.speed = origin, speed
        self._started = time.monotonic()

    def now(self) -> Millis:
        return Millis(self.origin + int((time.monotonic() - self._started) * 1000 * self.speed))


@dataclass(frozen=True, slots=True)
class Span:
    """From ``start`` (closed) to ``end`` (open); ``end`` None = still going on."""

    start: Millis
    end: Millis | None = None

    def __post_init__(self) -> None:
        if self.end is not None and self.end < self.start:
            raise TimeError(f"a span cannot end ({iso(self.end)}) before it starts ({iso(self.start)})")

    def __contains__(self, at: object) -> bool:
        return isinstance(at, int) and self.start <= at and (self.end is None or at < self.end)

    def overlaps(self, other: Span) -> bool:
        return (self.end is None or other.start < self.end) and (other.end is None or self.start < other.end)


def zone_of(name: str) -> ZoneInfo:
    """Look up an IANA zone such as ``Europe/Dublin``; raise TimeError if there is none of that name."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise TimeError(
            f"no time zone called {name!r}; use an IANA name such as Europe/Dublin or UTC"
        ) from error


def parse_time(text: str, zone: str | None = None) -> Millis:
    """Read ISO 8601. A text without an offset is read in ``zone``; without one, TimeError.

    A wall time that a clock change skips or repeats is read as the earlier offset (fold 0).
    """
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise TimeError(f"{text.strip()!r} is not an ISO 8601 time such as 2026-11-25T06:00:00Z") from error
    if moment.tzinfo is None:
        if zone is None:
            raise TimeError(f"{text.strip()!r} has no UTC offset; add one or name the zone")
        moment = moment.replace(tzinfo=zone_of(zone))
    return from_datetime(moment)


def from_datetime(moment: datetime) -> Millis:
    """Exact to the millisecond (a fraction of a millisecond is cut off)."""
    if moment.tzinfo is None:
        raise TimeError("an instant needs a zone")
    try:
        moment = moment.astimezone(UTC)
    except OverflowError as error:
        raise TimeError(f"{moment.isoformat()} lies outside the years 1 to 9999") from error
    delta = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return Millis((delta.days * 86_400 + delta.seconds) * 1000 + delta.microseconds // 1000)


def to_datetime(at: Millis, zone: str = "UTC") -> datetime:
    seconds, millis = divmod(at, 1000)
    return (
        datetime.fromtimestamp(seconds, tz=UTC).replace(microsecond=millis * 1000).astimezone(zone_of(zone))
    )


def iso(at: Millis) -> str:
    """``2026-11-25T06:00:00Z``, with milliseconds only where there are any."""
    text = to_datetime(at).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{text}.{at % 1000:03d}Z" if at % 1000 else f"{text}Z"
