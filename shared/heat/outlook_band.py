"""The two edges of the band in which about 8 of 10 readings will lie, kept by the pile's own misses.

How far a pile may fall short of the middle, or rise above it, depends on where it stands: a hot core has no room above,
a cool one may take off within the day, and what the views disagree on is upside. ``reach`` says so, from simulated piles
of three kinetics. Two factors at each horizon then follow this pile: after a forecast that missed, the edge moves out by
nine steps, after one that held it moves in by one, so that in the long run one in ten is missed on each side, whatever
the errors are like (online quantile tracking: Gibbs and Candes 2021; Angelopoulos, Candes and Tibshirani 2023). Only
what was said aloud counts: what the first 48 hours would have missed says nothing of the band that is shown later.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

AT_C = (20.0, 30.0, 40.0, 50.0, 58.0, 64.0, 70.0)  # where ``BELOW`` and ``ABOVE`` stand; straight between
BELOW = (
    (0.58, 0.56, 0.87, 1.10, 1.71, 1.78, 1.04),
    (0.66, 0.60, 1.07, 1.44, 2.38, 2.45, 1.35),
    (0.68, 0.84, 1.26, 1.70, 3.13, 2.85, 1.04),
    (0.89, 1.14, 1.68, 2.35, 4.06, 3.75, 1.65),
)  # by horizon, in roots of the expected error
ABOVE = (
    (1.59, 1.22, 1.41, 1.19, 1.23, 1.28, 0.65),
    (1.60, 1.09, 0.97, 0.77, 0.84, 0.85, 0.29),
    (1.51, 0.81, 0.54, 0.54, 0.51, 0.41, 0.25),
    (1.78, 0.81, 0.46, 0.45, 0.37, 0.26, 0.25),
)  # in expected errors, those of the views' disagreement added
SPREAD_SHARE = (0.15, 0.4, 0.8, 1.2)
FLOOR_C = 0.05

MISS = (0.088, 0.094, 0.095, 0.09)
"""Aimed at on each side; what is asked between half hours, or learnt of late, misses more: one in ten comes of it."""
PACE = (0.01, 0.012, 0.016, 0.012)  # of one step inwards
OTHER_EDGE = 0.8  # a miss on one side says so much of the other
LEAST, MOST = 0.05, 12.0

_AT, _PLACES = np.array(AT_C), np.arange(len(AT_C), dtype=np.float64)
_TABLES = np.array([BELOW, ABOVE])
_SPREAD = np.array(SPREAD_SHARE)[:, None]


def reach(c: Floats, off_c: Floats, spread_c: Floats) -> Floats:
    """K below and above a middle of ``c`` by each horizon's table, before a pile's own factors; shape (2, horizons, n).
    ``off_c``: how far the middle is expected to be off; ``spread_c``: how far apart the views are; shape (n,)."""
    at = np.interp(c, _AT, _PLACES)
    left = np.minimum(at.astype(np.int64), len(AT_C) - 2)
    found: Floats = _TABLES.take(left, axis=2)
    found += (_TABLES.take(left + 1, axis=2) - found) * (at - left)
    found[0] *= np.sqrt(off_c + FLOOR_C)
    found[1] *= np.hypot(off_c, _SPREAD * spread_c)
    return found


def edges_around(
    edges: Sequence[Edges], shares: Floats, c: Floats, off_c: Floats, spread_c: Floats
) -> tuple[Floats, Floats]:
    """The lower and the upper edge, °C; ``shares``: how much each horizon's edges count there, shape (n, horizons)."""
    factors = np.array([[one.below for one in edges], [one.above for one in edges]])
    below, above = (factors[:, :, None] * reach(c, off_c, spread_c) * shares.T).sum(axis=1)
    return c - below, c + above


@dataclass(frozen=True, slots=True)
class Edges:
    """This pile's factors at one horizon, on ``reach``."""

    number: int
    below: float = 1.0
    above: float = 1.0

    def after(self, celsius: float, low: float, high: float) -> Edges:
        """Once ``celsius`` is known of which ``low`` to ``high`` was said."""
        below, above = self._step(celsius < low), self._step(celsius > high)
        return Edges(
            self.number,
            _clipped(self.below + below + OTHER_EDGE * above),
            _clipped(self.above + above + OTHER_EDGE * below),
        )

    def _step(self, missed: bool) -> float:
        miss = MISS[self.number]
        return PACE[self.number] * ((1.0 if missed else 0.0) - miss) / miss


def _clipped(factor: float) -> float:
    return min(max(factor, LEAST), MOST)
