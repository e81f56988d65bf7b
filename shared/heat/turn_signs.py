"""What tells a turn from weather, a fault, and a probe that was pulled out. Figures: see ``turn_finder.py``."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shared.times import HOUR, MINUTE

COLLAPSED_TO, COLLAPSED_C = 0.65, 5.0  # profile spread after: this share of before, or this many kelvin
CORE_SHARE = 0.6  # the core falls at least this share of the depth that fell most
MOST_FALL_C, MOST_FALL_SHARE = 6.0, 0.4  # or most depths fall far: the profile need not collapse then
# colder than it was within the last 26 hours, and by a share of how much it moved then: a day's swing returns
SWING_MS, BELOW_LATELY_C, BELOW_SWING_SHARE = 26 * HOUR, 1.0, 0.25
# or, of a pile that heats, a fall this far (of most depths, of fewer), at most this share of it the day before
HEATING_MOST_FALL_C, HEATING_FALL_C, HEATING_FELL_SHARE = 4.5, 7.0, 0.35
# back that soon, by such a jump: it was no turn
RETURN_MS, RETURN_SHARE, RETURN_JUMP_C_MIN = 4 * HOUR, 0.35, 0.20
WEATHER_CM = 25.0
"""Rain and sun reach so deep: a fall there, seen by no other depth, says nothing of the core."""


def in_reach_of_weather(depth: str) -> bool:
    """Whether a sensor at ``depth`` (cm; what is no number is taken to be deep) feels rain and sun."""
    try:
        return float(depth) < WEATHER_CM
    except ValueError:
        return False


def swings(lately: NDArray[np.float64], after_c: float, fall: float, heating_fall: float) -> bool:
    """Whether such a fall is nothing new here: it was as cold within a day, and not because it was still heating."""
    margin = max(BELOW_LATELY_C, BELOW_SWING_SHARE * float(np.ptp(lately)))
    if after_c <= float(lately.min()) - margin:
        return False
    fell = float((np.maximum.accumulate(lately) - lately).max())
    return fall < heating_fall or fell > HEATING_FELL_SHARE * fall


def mixed(pre_c: NDArray[np.float64], post_c: NDArray[np.float64], fall: float) -> bool:
    """Whether the profile looks mixed: it collapsed, or most depths fell far; and the core fell about the most."""
    falls = pre_c - post_c
    collapsed = np.ptp(post_c) <= max(COLLAPSED_TO * np.ptp(pre_c), COLLAPSED_C)
    as_one = fall >= MOST_FALL_C and most_fell(falls, fall)
    return bool(as_one or collapsed) and fall >= CORE_SHARE * float(falls.max())


def most_fell(falls: NDArray[np.float64], fall: float) -> bool:
    """Whether more than half of the depths fell a good part as far as the core."""
    return 2 * int((falls >= MOST_FALL_SHARE * fall).sum()) > len(falls)


def returned(
    grid: NDArray[np.int64], series: NDArray[np.float64], index: int, before_c: float, fall: float
) -> bool:
    """Whether the core is soon back near where it was, and came back by a jump that no pile makes."""
    soon = (grid > grid[index + 1]) & (grid <= grid[index + 1] + RETURN_MS) & np.isfinite(series)
    at, value = grid[soon], series[soon]
    if len(value) < 3:
        return False
    back = int((value >= before_c - RETURN_SHARE * fall).sum()) >= 3
    rate = np.diff(value) / (np.diff(at) / MINUTE)
    return back and bool((rate > RETURN_JUMP_C_MIN).any())


def reheats_after(grid: NDArray[np.int64], series: NDArray[np.float64], index: int, after_c: float) -> bool:
    later = (grid > grid[index] + 3 * HOUR) & (grid <= grid[index] + 14 * HOUR)
    values = series[later]
    values = values[np.isfinite(values)]
    return len(values) > 0 and float(values.max()) > after_c + 1.0
