"""What looks wrong with a sensor now, in words beside its figures; nothing here takes a reading out of the sums."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from shared.heat.curve import SensorLine
from shared.heat.peaks import Readings
from shared.heat.screening import POWER_ON_C, Reason
from shared.times import DAY, HOUR, Millis

STUCK_K, STUCK_MS = 0.1, 6 * HOUR
ACTIVE_C = 40.0
ALIKE_K = 0.2
DEAD_ROWS, ALIVE = 3, (Reason.GOOD, Reason.PULLED_OUT)
FEWEST, LOOSE_MS = 3, HOUR

STUCK = "stuck: no change of 0.1 K for 6 h in an active pile"
EQUAL_DEPTHS = "equal depths: all depths read alike for 6 h; water in the tube, or sensors mixed up"
POWER_ON = "sensor fault or fire: check by hand (85.0 °C, repeated or supported by its neighbours)"
NO_VALUES = "no usable value: the last readings are all left out"


def fault_of(
    line: SensorLine, depths: Mapping[str, SensorLine], turned_at: Millis, now: Millis
) -> str | None:
    """``depths``: all depths of the same probe; ``turned_at``: the last turn or the build."""
    rows = line.rows
    newest = rows.reason[: rows.index(now, "right")][-DEAD_ROWS:].tolist()
    found = []
    if len(newest) == DEAD_ROWS and not any(reason in ALIVE for reason in newest):
        found.append(NO_VALUES)
    last = line.last_good(now)
    if last is not None:
        if _power_on(line, max(last[0] - DAY, turned_at), last[2]):
            found.append(POWER_ON)
        lately = _lately(line, last)
        if lately is not None and np.ptp(lately[1]) < STUCK_K:
            found.append(STUCK)
        if lately is not None and lately[0][0] > turned_at and _alike(line, depths, lately):
            found.append(EQUAL_DEPTHS)
    return "; ".join(found) or None


def _power_on(line: SensorLine, since: int, last_row: int) -> bool:
    """Whether an exact 85.0 was let stand."""
    some = slice(line.rows.index(since), last_row + 1)
    return bool(((line.rows.value[some] == POWER_ON_C) & (line.rows.reason[some] == Reason.GOOD)).any())


def _lately(line: SensorLine, last: tuple[int, float, int]) -> Readings | None:
    """The good readings of the last ``STUCK_MS`` and the one before, if they are that many, that close and that warm."""
    first = line.rows.good_before(line.rows.index(last[0] - STUCK_MS, "right"))
    if first is None:
        return None
    at, celsius = line.good(int(line.rows.at[first]) - 1, last[0])
    close = len(at) >= FEWEST and at[0] >= last[0] - STUCK_MS - LOOSE_MS
    return (at, celsius) if close and celsius.min() >= ACTIVE_C else None


def _alike(line: SensorLine, depths: Mapping[str, SensorLine], lately: Readings) -> bool:
    at, celsius = lately
    others = [one.good(int(at[0]) - 1, int(at[-1])) for one in depths.values() if one is not line]
    return bool(others) and all(
        np.array_equal(other_at, at) and np.abs(other_c - celsius).max() <= ALIKE_K
        for other_at, other_c in others
    )
