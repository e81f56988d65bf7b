"""When the turning guide's load comes to 1 if the pile goes on as the outlook says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shared.heat.guide import Guide
from shared.heat.outlook import Outlook, Path
from shared.times import HOUR, MINUTE, Millis

STEP_MS = 15 * MINUTE
AS_IT_IS_C = 0.5
"""The middle of the outlook this near to the present reading is the present reading: a sensor does not see finer."""
FAR_MS = 48 * HOUR


@dataclass(frozen=True, slots=True)
class Due:
    """None = not within reach of the outlook, or not at all."""

    due_at: Millis | None
    earliest: Millis | None
    latest: Millis | None


def due_by_outlook(load: float, guide: Guide, outlook: Outlook, now_c: float, now: Millis) -> Due | None:
    """``load``: used up so far, under 1. ``now_c``: the hottest now. None = there is no outlook."""
    path = outlook.path
    if path is None:
        return None
    middle = _reached(load, guide, path, path.c, now_c, now)
    earliest = _reached(load, guide, path, path.high, None, now)
    latest = _reached(load, guide, path, path.low, None, now)
    if middle is not None:
        earliest = middle if earliest is None else Millis(min(earliest, middle))
        latest = None if latest is None else Millis(max(latest, middle))
    return Due(middle, earliest, latest)


def _reached(
    load: float, guide: Guide, path: Path, line: Sequence[float], now_c: float | None, now: Millis
) -> Millis | None:
    """Along ``line`` to its end, then on at its last temperature."""
    starts = np.arange(now, now + FAR_MS, STEP_MS)
    celsius = path.along(line, starts + STEP_MS / 2)
    if now_c is not None:
        celsius = np.where(np.abs(celsius - now_c) <= AS_IT_IS_C, now_c, celsius)
    rungs = np.array([rung.from_c for rung in guide.rungs]).searchsorted(celsius, "right")
    hold_h = np.array([np.inf, *(rung.hold_h for rung in guide.rungs)])[rungs]
    with np.errstate(divide="ignore"):
        after = load + np.cumsum(STEP_MS / (hold_h * HOUR))
    first = int(after.searchsorted(1.0))
    if first < len(starts):
        before = load if first == 0 else float(after[first - 1])
        return Millis(int(starts[first]) + round((1.0 - before) * float(hold_h[first]) * HOUR))
    if not np.isfinite(hold_h[-1]):
        return None
    return Millis(now + FAR_MS + round((1.0 - float(after[-1])) * float(hold_h[-1]) * HOUR))
