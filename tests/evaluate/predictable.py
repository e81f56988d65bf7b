"""How much of the next day of a record can be foreseen at all, found with hindsight.

Straight-line models are fitted to the whole record, the very part that they are judged on, by least absolute error.
No honest outlook from these readings alone should be expected to do much better than these unfair ones.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LAGS_H = (0, 3, 6, 12, 18, 24, 36, 48)
AHEAD_H = 24
Floats = NDArray[np.float64]


def hindsight_shares(hourly: Floats, places: NDArray[np.int64], air: Floats) -> tuple[float, float, float]:
    """Mean absolute error 24 h ahead of each fit, as a share of persistence: from the last two days' readings; from
    these and the hour of the day; from these and the true air temperature of the day before and of the day to come.
    NaN = unknown hours; hours of different ``places`` are of different sensors and are not set against each other."""
    rows, truth = [], []
    for now in range(max(LAGS_H), len(hourly) - AHEAD_H):
        past = [hourly[now - lag] for lag in LAGS_H]
        same = places[now - max(LAGS_H)] == places[now + AHEAD_H]
        weather = air[[now - 24, now - 12, now - 6, now, now + 6, now + 12, now + 18, now + 24]]
        if same and np.isfinite([*past, *weather, hourly[now + AHEAD_H]]).all():
            turn = 2.0 * np.pi * now / 24.0
            rows.append(
                [*(past[0] - one for one in past[1:]), 1.0, past[0], np.sin(turn), np.cos(turn), *weather]
            )
            truth.append(hourly[now + AHEAD_H] - past[0])
    design, change = np.array(rows), np.array(truth)
    few = len(LAGS_H) + 1
    return _share(design[:, :few], change), _share(design[:, : few + 2], change), _share(design, change)


def _share(design: Floats, change: Floats) -> float:
    """Of the fit by least absolute error (least squares, weighted anew by what is left)."""
    weight = np.ones(len(change))
    for _ in range(40):
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(design * root[:, None], change * root, rcond=None)[0]
        left = np.abs(change - design @ fit)
        weight = 1.0 / np.maximum(left, 1e-3)
    return float(left.mean() / np.abs(change).mean())
