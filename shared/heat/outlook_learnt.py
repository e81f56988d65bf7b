"""What a pile's own errors have taught: whom to believe at each horizon, and how far off the mix has been.

Errors are counted by the hours since the turn, apart and yet not alone: what is learnt of one stretch says something of
its neighbours, in shares of what was to be expected there. Expectations come from simulated piles of three kinetics; a
pile's own errors soon outweigh them. The band's two edges widen with every miss and narrow with every hit until 8 of 10
hit (the idea of adaptive conformal inference, Gibbs and Candes 2021; from memory, unverified); the further ahead, the
slower, as errors far ahead come late and in strings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import exp, sqrt

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
BAND_BEGINS = ((1.10, 1.00), (1.10, 1.05), (1.15, 1.15), (1.05, 1.45))  # below and above
BAND_MISS = (0.1, 0.1, 0.1, 0.09)  # aimed at on each side; where errors are learnt of late, less
BAND_PACE = (0.02, 0.012, 0.008, 0.004)
OTHER_EDGE = 0.3  # a miss on one side says so much of the other
BAND_LEAST, BAND_MOST = 0.25, 6.0
SPREAD_SHARE = 0.3
BAND_FLOOR_C2 = 0.02


def stage_at(hours: float) -> int:
    return sum(hours >= end for end in STAGE_ENDS_H)


_SHARES = tuple(NEIGHBOUR**distance for distance in range(STAGES))
_KEPT = tuple(MEMORY**share for share in _SHARES)
_KEPT_MIX = tuple(MEMORY_OF_MIX**share for share in _SHARES)


@dataclass(frozen=True, slots=True)
class Said:
    """What was said of one horizon at one stage: each view, the mix, the band's edges. °C."""

    stage: int
    views: tuple[float, ...]
    c: float
    low: float
    high: float


@dataclass(slots=True)
class Learnt:
    """At one horizon, by stage: sums of errors as shares of those expected, the newest the most, and their count."""

    number: int
    shares: list[tuple[float, ...]] = field(default_factory=lambda: [(0.0,) * VIEWS] * STAGES)
    counts: list[float] = field(default_factory=lambda: [0.0] * STAGES)
    mixed: list[float] = field(default_factory=lambda: [0.0] * STAGES)
    counts_mixed: list[float] = field(default_factory=lambda: [0.0] * STAGES)
    doubts: tuple[float, ...] = (1.0,) * VIEWS
    below: float = 0.0
    above: float = 0.0

    def __post_init__(self) -> None:
        if not self.below:
            self.below, self.above = BAND_BEGINS[self.number]

    def copy(self) -> Learnt:
        return Learnt(
            self.number,
            self.shares.copy(),
            self.counts.copy(),
            self.mixed.copy(),
            self.counts_mixed.copy(),
            self.doubts,
            self.below,
            self.above,
        )

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
            share, kept, kept_mix = _SHARES[apart], _KEPT[apart], _KEPT_MIX[apart]
            self.shares[stage] = tuple(
                kept * old + share * new for old, new in zip(self.shares[stage], off, strict=True)
            )
            self.counts[stage] = kept * self.counts[stage] + share
            self.mixed[stage] = kept_mix * self.mixed[stage] + share * off_mixed
            self.counts_mixed[stage] = kept_mix * self.counts_mixed[stage] + share
        below, above = self._push(celsius < said.low), self._push(celsius > said.high)
        self.below = _clipped(self.below * exp(below + OTHER_EDGE * above))
        self.above = _clipped(self.above * exp(above + OTHER_EDGE * below))

    def _push(self, missed: bool) -> float:
        miss = BAND_MISS[self.number]
        return BAND_PACE[self.number] * ((1.0 if missed else 0.0) - miss) / miss

    def doubt(self, views: Sequence[int]) -> None:
        """Another sensor is followed: ``views`` are not believed of its place until they have proved right."""
        factors = [DOUBT if view in views else 1.0 for view in range(VIEWS)]
        self.doubts = tuple(old * one for old, one in zip(self.doubts, factors, strict=True))
        self.shares = [
            tuple(old * one for old, one in zip(some, factors, strict=True)) for some in self.shares
        ]


def _clipped(factor: float) -> float:
    return min(max(factor, BAND_LEAST), BAND_MOST)


def expected_off(learnt: Sequence[Learnt], stage: int) -> list[float]:
    """How far the mix is expected to be off at each horizon, K: each horizon begins with what the one before it taught."""
    ratio, found = 1.0, []
    for one in learnt:
        ratio = (COUNTS_MIXED * ratio + one.mixed[stage]) / (COUNTS_MIXED + one.counts_mixed[stage])
        found.append(EXPECTED_MIXED_C[one.number][stage] * ratio)
    return found


def said_of(learnt: Learnt, stage: int, off_c: float, views: tuple[float, ...]) -> Said:
    c = sum(weight * view for weight, view in zip(learnt.weights(stage), views, strict=True))
    width = sqrt(off_c**2 + (SPREAD_SHARE * (max(views) - min(views))) ** 2 + BAND_FLOOR_C2)
    return Said(stage, views, c, c - learnt.below * width, c + learnt.above * width)
