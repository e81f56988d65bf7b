"""Sentences of a report carry instants in UTC and temperatures in °C; here they are put as a person reads them."""

from __future__ import annotations

import re
from collections.abc import Callable

from shared.times import Millis, parse_time, to_datetime
from shared.units import Units, fahrenheit

_INSTANT = re.compile(r"\b(\d{4}-\d{2}-\d{2}) (\d{2}:\d{2}) UTC\b")
_NUMBER = r"\d+(?:[.]\d+)?"
_CELSIUS = re.compile(rf"({_NUMBER})(?:-({_NUMBER}))? °C(?![\w/])")


def local_words(
    sentence: str, zone: str, units: Units = "celsius", moment: Callable[[Millis], str] | None = None
) -> str:
    """``over 65 °C at 2026-06-04 12:51 UTC`` becomes ``over 149 °F at 2026-06-04 13:51``; say the zone beside it.

    ``moment`` puts an instant in other words, such as those of a message.
    """
    spell = moment or (lambda at: to_datetime(at, zone).strftime("%Y-%m-%d %H:%M"))
    local = _INSTANT.sub(lambda found: spell(parse_time(f"{found[1]}T{found[2]}Z")), sentence)
    return _CELSIUS.sub(_degrees, local) if units == "fahrenheit" else local


def _degrees(found: re.Match[str]) -> str:
    numbers = [f"{round(fahrenheit(float(number)), 1):g}" for number in found.groups() if number]
    return f"{'-'.join(numbers)} °F"
