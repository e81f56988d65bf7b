"""What a pile's own errors have taught: whom to believe at each horizon, and how far off the mix has been.

Errors are counted by the hours since the turn, apart and yet not alone: what is learnt of one stretch says something of
its neighbours, in shares of what was to be expected there. Expectations come from simulated piles of three kinetics; a
pile's own errors soon outweigh them. The band around the mix: ``outlook_band.py``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from shared.heat.outlook_band import Edges, edges_around

HORIZONS_H = (6, 12, 24, 48)
STAGE_ENDS_H = (6.0, 14.0, 48.0)  # hours since the turn, or since the build
STAGES = len(STAGE_ENDS_H) + 1
VIEWS = 5
STAYS, FADES, REPEATS, CARDINAL, SQUARE_ROOT = range(VIEWS)
EXPECTED_C = (
    ((4.00, 4.00, 4.00, 3.61, 3.28), (2.41, 2.41, 2.41, 1.11, 1.27), (1.36, 1.48, 2.30, 0.72, 0.77), (1.24, 1.04, 1.03, 0.72, 0.73)),
    ((5.86, 5.86, 5.86, 5.26, 5.39), (3.70, 3.70, 3.70, 1.97, 2.44), (2.25, 2.58, 3.46, 1.39, 1.50), (2.08, 1.72, 1.72, 1.34, 1.38)),
    ((7.43, 7.43, 7.43, 6.27, 7.51), (4.95, 4.95, 4.95, 2.86, 4.35), (3.51, 4.28, 3.51, 2.15, 2.47), (3.41, 2.75, 3.41, 1.85, 1.95)),
    ((8.45, 8.45, 8.45, 6.90, 8.89), (6.20, 6.20, 6.20, 4.64, 7.05), (5.65, 6.85, 5.65, 4.16, 5.16), (5.94, 5.20, 5.94, 3.69, 4.06)),
)  # fmt: skip  # mean error by horizon, stage and view before the pile has any of its own
EXPECTED_MIXED_C = ((2.06, 1.00, 0.72, 0.56), (3.16, 1.77, 1.31, 0.93), (4.35, 2.56, 2.09, 1.60), (5.54, 4.34, 4.53, 3.91))  # fmt: skip
COUNTS, COUNTS_MIXED = 1.0, 2.0  # an expectation weighs as much as so many errors
MEMORY, MEMORY_OF_MIX = 0.9, 0.95  # of an error after the next one, two hours later
NEIGHBOUR = 0.6  # what an error of one stage counts in the next
POWER, FLOOR_C = 3.0, 0.1
DOUBT = 6.0


def stage_at(hours: float) -> int:
    return sum(hours >= end for end in STAGE_ENDS_H)


_SHARES = tuple(NEIGHBOUR**distance for distance in range(STAGES))
_KEPT = tuple(MEMORY**share for share in _SHARES)
_KEPT_MIX = tuple(MEMORY_OF_MIX**share for share in _SHARES)


@dataclass(frozen=True, slots=True)
class Said:
    """What was said of one horizon at one stage: each view, the mix, the band's edges, °C; and whether anyone heard."""

    stage: int
    views: tuple[float, ...]
    c: float
    low: float
    high: float
    aloud: bool


@dataclass(slots=True)
class Learnt:
    """At one horizon, by stage: sums of errors as shares of those expected, the newest the most, and their count."""

    number: int
    shares: list[tuple[float, ...]] = field(default_factory=lambda: [(0.0,) * VIEWS] * STAGES)
    counts: list[float] = field(default_factory=lambda: [0.0] * STAGES)
    mixed: list[float] = field(default_factory=lambda: [0.0] * STAGES)
    counts_mixed: list[float] = field(default_factory=lambda: [0.0] * STAGES)
    doubts: tuple[float, ...] = (1.0,) * VIEWS
    edges: Edges = field(init=False)

    def __post_init__(self) -> None:
        self.edges = Edges(self.number)

    def copy(self) -> Learnt:
        same = Learnt(
            self.number,
            self.shares.copy(),
            self.counts.copy(),
            self.mixed.copy(),
            self.counts_mixed.copy(),
            self.doubts,
        )
        same.edges = self.edges
        return same

    def weights(self, stage: int) -> list[float]:
        """How much each view counts; they add up to 1."""
        count = COUNTS + self.counts[stage]
        raw = [
            (expected * (COUNTS * doubt + share) / count + FLOOR_C) ** -POWER
            for expected, doubt, share in zip(
                EXPECTED_C[self.number][stage], self.doubts, self.shares[stage], strict=True
            )
        ]
        total = sum(raw)
        return [one / total for one in raw]

    def learn(self, said: Said, celsius: float) -> None:
        expected = EXPECTED_C[self.number][said.stage]
        off = [abs(view - celsius) / one for view, one in zip(said.views, expected, strict=True)]
        off_mixed = abs(said.c - celsius) / EXPECTED_MIXED_C[self.number][said.stage]
        for stage in range(STAGES):
            apart = abs(stage - said.stage)
            share, kept = _SHARES[apart], _KEPT[apart]
            self.shares[stage] = tuple(
                kept * old + share * new for old, new in zip(self.shares[stage], off, strict=True)
            )
            self.counts[stage] = kept * self.counts[stage] + share
            if said.aloud:
                kept = _KEPT_MIX[apart]
                self.mixed[stage] = kept * self.mixed[stage] + share * off_mixed
                self.counts_mixed[stage] = kept * self.counts_mixed[stage] + share
        if said.aloud:
            self.edges = self.edges.after(celsius, said.low, said.high)

    def doubt(self, views: Sequence[int]) -> None:
        """Another sensor is followed: ``views`` are not believed of its place until they have proved right."""
        factors = [DOUBT if view in views else 1.0 for view in range(VIEWS)]
        self.doubts = tuple(old * one for old, one in zip(self.doubts, factors, strict=True))
        self.shares = [
            tuple(old * one for old, one in zip(some, factors, strict=True)) for some in self.shares
        ]


def expected_off(learnt: Sequence[Learnt], stage: int) -> list[float]:
    """How far the mix is expected to be off at each horizon, K: each horizon begins with what the one before it taught."""
    ratio, found = 1.0, []
    for one in learnt:
        ratio = (COUNTS_MIXED * ratio + one.mixed[stage]) / (COUNTS_MIXED + one.counts_mixed[stage])
        found.append(EXPECTED_MIXED_C[one.number][stage] * ratio)
    return found


def said_of(
    learnt: Sequence[Learnt], stage: int, views: Sequence[tuple[float, ...]], *, aloud: bool
) -> tuple[Said, ...]:
    """``views``: at each horizon."""
    c = [
        sum(weight * view for weight, view in zip(one.weights(stage), some, strict=True))
        for one, some in zip(learnt, views, strict=True)
    ]
    spread = np.array([max(some) - min(some) for some in views])
    off = np.array(expected_off(learnt, stage))
    low, high = edges_around([one.edges for one in learnt], _EACH, np.array(c), off, spread)
    return tuple(Said(stage, *one, aloud) for one in zip(views, c, low.tolist(), high.tolist(), strict=True))


_EACH = np.eye(len(HORIZONS_H))
