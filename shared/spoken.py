"""Depths and durations as people say them."""

from __future__ import annotations

import re

from shared.times import DAY, HOUR, MINUTE
from shared.units import Units, fahrenheit

_CELSIUS = re.compile(r"(?:(-?\d+(?:\.\d+)?)(-| to | and ))?(-?\d+(?:\.\d+)?) °C")


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


def respoken(text: str, units: Units) -> str:
    """``text`` with every temperature in it (``65 °C``, ``55-76.7 °C``) in ``units``."""
    return text if units == "celsius" else _CELSIUS.sub(_in_fahrenheit, text)


def _in_fahrenheit(found: re.Match[str]) -> str:
    low, between, high = found.groups()
    first = f"{round(fahrenheit(float(low)), 1):g}{between}" if low is not None else ""
    return f"{first}{round(fahrenheit(float(high)), 1):g} °F"
