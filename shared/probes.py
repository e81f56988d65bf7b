"""Probes: devices that carry sensors, and how far they can be trusted."""

from __future__ import annotations

from dataclasses import dataclass

from shared.times import Millis


@dataclass(frozen=True, slots=True)
class Probe:
    id: str
    site: str
    name: str  # the <probe> of the topic
    first_heard_at: Millis | None = None
    last_heard_at: Millis | None = None
    interval_ms: int | None = None  # how often it speaks: learnt, or set by a person
    interval_fixed: bool = False  # True = set by a person, not learnt over
    online: bool | None = None  # from its status topic
    battery_percent: float | None = None
    battery_volt: float | None = None
    rssi_dbm: float | None = None
    repeats: int = 0  # the same instant again with the same value
    differing_repeats: int = 0  # the same instant again with another value; the first stays
    note: str = ""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Add ``offset_c`` to every reading of this sensor from ``valid_from`` on (until the next one); raw is kept."""

    id: str
    site: str
    probe: str
    depth: str
    offset_c: float
    valid_from: Millis
    method: str = ""
