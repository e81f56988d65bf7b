"""The depths of one probe on one time axis, and the stretches in which the probe lay in the air."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from shared.times import HOUR, MINUTE

Depths = Mapping[str, tuple[NDArray[np.int64], NDArray[np.float64]]]

LONGEST_GAP_MS = 8 * HOUR  # a probe taken out to turn may lie about for a while
# out: the warmest depth falls this far within two samples, and comes back so far in one
PULLED_OUT_C, BACK_IN_C = 12.0, 7.0


def on_one_axis(depths: Depths) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """All depths on one time axis of the probe's own pace; shapes (n,) and (n, depths), NaN where one is silent."""
    cleaned = [_clean(at, value) for at, value in depths.values()]
    steps = np.concatenate([np.diff(at) for at, _ in cleaned if len(at) > 1] or [np.empty(0, np.int64)])
    if not len(steps):
        return np.empty(0, np.int64), np.empty((0, len(cleaned)))
    pace = int(np.clip(np.median(steps), 5 * MINUTE, 60 * MINUTE))
    slots = np.unique(np.concatenate([at // pace for at, _ in cleaned]))
    values = np.full((len(slots), len(cleaned)), np.nan)
    for index, (at, value) in enumerate(cleaned):
        values[np.searchsorted(slots, at // pace), index] = value
    return slots * pace + pace // 2, values


def _clean(
    at: NDArray[np.int64], value: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Without what no compost reads, and without single samples that leap out and back."""
    good = np.isfinite(value) & (value > -30.0) & (value < 120.0)
    at, value = at[good], value[good]
    if len(value) > 2:
        before, after = value[1:-1] - value[:-2], value[1:-1] - value[2:]
        lone = (np.minimum(np.abs(before), np.abs(after)) > 8.0) & (np.sign(before) == np.sign(after))
        keep = np.concatenate(([True], ~lone, [True]))
        at, value = at[keep], value[keep]
    return at, value


def in_the_air(grid: NDArray[np.int64], values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """True where the probe was out: every depth leaves at once and the warmest comes back by a jump no pile makes."""
    out = np.zeros(len(grid), dtype=bool)
    if len(grid) < 3:
        return out
    warmest = np.where(np.isnan(values), -np.inf, values).max(axis=1)
    rises = np.flatnonzero(np.diff(warmest) >= BACK_IN_C) + 1
    for start in np.flatnonzero(_largest_fall(warmest) >= PULLED_OUT_C):
        later = rises[(rises > start + 1) & (grid[rises] <= grid[start] + LONGEST_GAP_MS)]
        if len(later):
            out[start + 1 : later[-1]] = True
    widened = out.copy()
    widened[1:] |= out[:-1]
    return widened


def _largest_fall(warmest: NDArray[np.float64]) -> NDArray[np.float64]:
    """From each sample to the colder of the next two."""
    fall = np.zeros(len(warmest))
    for ahead in (1, 2):
        fall[:-ahead] = np.maximum(fall[:-ahead], warmest[:-ahead] - warmest[ahead:])
    return fall
