"""What can be said of a reading on arrival, apart from its neighbours.

What depends on neighbours (85.0, stuck, jump, pulled out) is judged in ``shared.heat.screening`` whenever a curve is
used, so it is re-judged by construction when late readings come in between.
"""

from __future__ import annotations

from typing import Final

from shared.readings import ArrivalMark, Quantity
from shared.times import DAY, MINUTE, Millis, iso

MAX_BYTES: Final = 64 * 1024
MAX_RECORDS: Final = 10_000
EARLIEST: Final = Millis(10_957 * DAY)
"""2000-01-01T00:00:00Z: an older time is a clock that was never set."""
MAX_AHEAD_MS: Final = 10 * MINUTE

_SENTINELS_C = (-127.0, 127.94, 127.9375)
"""-127: drivers of one-wire sensors say "disconnected" (from memory, unverified). 127.94 (0x07FF in sixteenths, exactly
127.9375): a failed conversion of such a sensor."""

# Outside these no sensor of its kind reads. Temperature: the range of common one-wire sensors; the rest by definition
# of the unit, or common practice, no source (volts, dBm).
_LOW: Final[dict[Quantity, float]] = {
    "temperature": -55.0, "oxygen": 0.0, "moisture": 0.0, "battery_percent": 0.0, "battery_volt": 0.0, "rssi": -200.0,
}  # fmt: skip
_HIGH: Final[dict[Quantity, float]] = {
    "temperature": 125.0, "oxygen": 100.0, "moisture": 100.0, "battery_percent": 100.0, "battery_volt": 60.0,
    "rssi": 50.0,
}  # fmt: skip


def mark_of(quantity: Quantity, value: float) -> ArrivalMark:
    """What is wrong with the value itself; the value is kept as it came."""
    if _LOW[quantity] <= value <= _HIGH[quantity]:
        return ArrivalMark.NONE
    if quantity == "temperature" and any(abs(value - sentinel) < 0.002 for sentinel in _SENTINELS_C):
        return ArrivalMark.SENTINEL
    return ArrivalMark.OUT_OF_RANGE


def time_trouble(at: int, received_at: Millis) -> str | None:
    """Why a time cannot be believed, or None."""
    if EARLIEST <= at <= received_at + MAX_AHEAD_MS:
        return None
    if at < EARLIEST:
        shown = iso(Millis(at)) if at > -62_000_000_000_000 else "far in the past"
        return f"its time, {shown}, is before 2000-01-01"
    shown = iso(Millis(at)) if at < 250_000_000_000_000 else "far in the future"
    return f"its time, {shown}, is more than 10 min ahead of this server's clock, {iso(received_at)}"
