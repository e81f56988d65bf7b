"""When the outlook next crosses 55, 65 or 70 °C, and how surely."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from shared.heat.report import Crossing
from shared.times import HOUR, Millis

WATCHED_C = (55.0, 65.0, 70.0)
TO_THE_HOUR_MS = 12 * HOUR
"""A range wider than this is spoken of as "within about a day" or two, not as a time."""
ABOUT_A_DAY_MS = 30 * HOUR


@dataclass
class Crossings:
    """``crossings``: both edges of the band cross, close enough together. The rest is for words."""

    crossings: list[Crossing] = field(default_factory=list)
    some_day: list[tuple[float, bool, str]] = field(default_factory=list)  # °C, upwards, within how long
    possible: list[tuple[float, bool]] = field(default_factory=list)


def crossings_of(
    start: Millis, c: Sequence[float], low: Sequence[float], high: Sequence[float], now: Millis | int
) -> Crossings:
    """Each line is hourly from ``start``; what lies before ``now`` is no news."""
    found = Crossings()
    for threshold in WATCHED_C:
        up = c[0] < threshold
        middle, one, other = (
            first_crossing(start, line, threshold, up=up, now=now) for line in (c, low, high)
        )
        if middle is not None and one is not None and other is not None:
            if abs(other - one) <= TO_THE_HOUR_MS:
                edges = sorted((one, other))
                found.crossings.append(Crossing(threshold=threshold, at=middle, low=edges[0], high=edges[1]))
            else:
                found.some_day.append((threshold, up, _within(middle - now)))
        elif middle is not None:
            found.some_day.append((threshold, up, _within(middle - now)))
        elif (one if not up else other) is not None:
            found.possible.append((threshold, up))
    found.possible = _nearest(found.possible)
    return found


def _nearest(possible: list[tuple[float, bool]]) -> list[tuple[float, bool]]:
    """The first threshold each way; what lies beyond it is no news."""
    upwards = [threshold for threshold, up in possible if up]
    down = [threshold for threshold, up in possible if not up]
    return ([(max(down), False)] if down else []) + ([(min(upwards), True)] if upwards else [])


def first_crossing(
    start: Millis | int, line: Sequence[float], threshold: float, *, up: bool, now: int
) -> Millis | None:
    """When the line first stands on the other side; at once if it does so from the start."""
    sign = 1.0 if up else -1.0
    before = None
    for hour, celsius in enumerate(line):
        off = sign * (celsius - threshold)
        if off >= 0:
            share = 0.0 if before is None else -before / (off - before)
            return Millis(max(int(now), int(start) + round((hour - (before is not None) + share) * HOUR)))
        before = off
    return None


def spoken(found: Crossings) -> str:
    words = [
        f"{_way(up)} {c:g} °C within about {some}; no hour can be named." for c, up, some in found.some_day
    ]
    words += [f"May {_way(up).lower()} {c:g} °C within 48 hours." for c, up in found.possible]
    return " ".join(words)


def _within(ahead_ms: int) -> str:
    return "a day" if ahead_ms <= ABOUT_A_DAY_MS else "two days"


def _way(up: bool) -> str:
    return "Reach" if up else "Fall below"
