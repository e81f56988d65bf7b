"""How much of the next day of a record can be foreseen from its own past at all, found with hindsight.

An autoregression over the last day's readings is fitted to the whole record, the very part that it is judged on. No
honest outlook from these readings alone should be expected to do much better than this unfair one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LAGS_H = (0, 3, 6, 12, 18, 24, 36, 48)
AHEAD_H = 24


def hindsight_share(hourly: NDArray[np.float64], places: NDArray[np.int64]) -> float:
    """Mean absolute error 24 h ahead of the fit with hindsight, as a share of persistence. NaN = unknown hours; hours of
    different ``places`` are of different sensors and are not set against each other."""
    rows, truth = [], []
    for now in range(max(LAGS_H), len(hourly) - AHEAD_H):
        past = [hourly[now - lag] for lag in LAGS_H]
        same = places[now - max(LAGS_H)] == places[now + AHEAD_H]
        if same and np.isfinite(past).all() and np.isfinite(hourly[now + AHEAD_H]):
            rows.append([past[0] - one for one in past[1:]] + [1.0, past[0]])
            truth.append(hourly[now + AHEAD_H] - past[0])
    design, change = np.array(rows), np.array(truth)
    fitted = design @ np.linalg.lstsq(design, change, rcond=None)[0]
    return float(np.abs(change - fitted).mean() / np.abs(change).mean())
