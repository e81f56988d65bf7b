"""Depths and durations as people say them."""

from __future__ import annotations

from shared.times import DAY, HOUR, MINUTE


def depth_words(depth_cm: float | None, level: str | None = None) -> str:
    return level or "unknown depth" if depth_cm is None else f"{depth_cm:g} cm"


def span_words(milliseconds: float) -> str:
    """``40 s``, ``25 min``, ``5 h``, ``3 d 4 h``: as fine as it matters."""
    ms = max(0.0, milliseconds)
    if ms < MINUTE:
        return f"{ms / 1000:.0f} s"
    if ms < HOUR:
        return f"{ms / MINUTE:.0f} min"
    if ms < 2 * DAY:
        return f"{ms / HOUR:.0f} h"
    days, rest = divmod(round(ms / HOUR), 24)
    return f"{days} d {rest} h" if rest and days < 14 else f"{days} d"
