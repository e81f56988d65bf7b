"""Whether a hot core heats faster than biology does at that heat.

Above its optimum biology slows down, so what still climbs fast after hours over 70 °C is not biology alone. The limit
comes from simulated piles (healthy ones: at most 0.25 K/h), no field source gives one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shared.heat.spans import clipped, total
from shared.heat.view import HeatView
from shared.times import HOUR, MINUTE, Millis

OVER_C = 70.0
AFTER_MS = 6 * HOUR  # over it since the last turn, before the climb says anything
WITHIN_MS = 3 * HOUR
SPANNING_MS, FEWEST = 2 * HOUR, 5
LIMIT_K_H = 0.4
NEAR_K = 3.0  # of the hottest: a cooler sensor that catches up is no sign


def strange_rise(view: HeatView, now: Millis, last_turn: Millis) -> float | None:
    """K/h of the fastest of the hottest sensors over three hours, where that is more than biology explains."""
    latest = view.latest("hottest", now)
    if latest is None or latest[0] < OVER_C:
        return None
    over = view.intervals(OVER_C, "hottest")
    if not len(over) or total(clipped(over, last_turn, now)) < AFTER_MS:
        return None
    after = Millis(max(last_turn, now - WITHIN_MS))
    slopes = [
        _slope(at, celsius)
        for _, _, at, celsius in view.readings(after=after, until=now)
        if len(at) >= FEWEST
        and at[-1] - at[0] >= SPANNING_MS - MINUTE
        and celsius[-1] >= max(OVER_C, latest[0] - NEAR_K)
    ]
    fastest = max(slopes, default=0.0)
    return fastest if fastest > LIMIT_K_H else None


def _slope(at: NDArray[np.int64], celsius: NDArray[np.float64]) -> float:
    """Of the straight line of least squares, in K/h."""
    hours = (at - at[0]) / HOUR
    off = hours - hours.mean()
    return float((off * (celsius - celsius.mean())).sum() / (off * off).sum())
