"""What looks wrong with a sensor now, in words beside its figures; nothing here takes a reading out of the sums."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from shared.heat.curve import SensorLine
from shared.heat.screening import POWER_ON_C, Reason
from shared.times import DAY, HOUR, Millis

STUCK_K, STUCK_MS = 0.1, 6 * HOUR
ACTIVE_C = 40.0
ALIKE_K = 0.2
DEAD_ROWS = 3

STUCK = "stuck: no change of 0.1 K for 6 h in an active pile"
EQUAL_DEPTHS = "equal depths: all depths read alike for 6 h; water in the tube, or sensors mixed up"
POWER_ON = "sensor fault or fire: check by hand (85.0 °C, repeated or supported by its neighbours)"
NO_VALUES = "no usable value: the last readings are all left out"


def fault_of(
    line: SensorLine, depths: Mapping[str, SensorLine], turned_at: Millis, now: Millis
) -> str | None:
    """``depths``: all depths of the same probe; ``turned_at``: the last turn or the build."""
    rows = line.rows
    newest = rows.reason[: rows.index(now, "right")][-DEAD_ROWS:]
    found = []
    if len(newest) == DEAD_ROWS and bool(np.all((newest != Reason.GOOD) & (newest != Reason.PULLED_OUT))):
        found.append(NO_VALUES)
    last = line.last_good(now)
    if last is not None:
        recent = line.good(max(last[0] - DAY, turned_at), last[0])
        if (
            np.any(rows.value[rows.index(int(recent[0][0])) :][: len(recent[0])] == POWER_ON_C)
            if len(recent[0])
            else False
        ):
            found.append(POWER_ON)
        if _stuck(line, last[0]):
            found.append(STUCK)
        if _alike(line, depths, last[0], turned_at):
            found.append(EQUAL_DEPTHS)
    return "; ".join(found) or None


def _stuck(line: SensorLine, last_at: int) -> bool:
    at, celsius = line.good(last_at - STUCK_MS - 1, last_at)
    return (
        len(at) >= 3
        and at[-1] - at[0] >= STUCK_MS
        and bool(celsius.min() >= ACTIVE_C)
        and bool(celsius.max() - celsius.min() < STUCK_K)
    )


def _alike(line: SensorLine, depths: Mapping[str, SensorLine], last_at: int, turned_at: Millis) -> bool:
    start = last_at - STUCK_MS
    at, celsius = line.good(start - 1, last_at)
    if (
        len(depths) < 2
        or start < turned_at
        or len(at) < 3
        or at[-1] - at[0] < STUCK_MS
        or celsius.min() < ACTIVE_C
    ):
        return False
    for other in depths.values():
        if other is not line:
            other_at, other_c = other.good(start - 1, last_at)
            if not np.array_equal(other_at, at) or np.abs(other_c - celsius).max() > ALIKE_K:
                return False
    return True
