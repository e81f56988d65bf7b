"""Follows the hottest core sensor half hour by half hour, and learns from the pile's own errors whom to believe.

Four views of the hours ahead: it stays as it is; what the last 24 hours brought goes on and fades; it does what it did
yesterday at these hours (sun and night); the lumped heat balance. For each horizon each view counts by its past errors
in this pile, the newest the most; after a turn what was learnt no longer
holds, and the weights start anew. The band is as wide as the mix was wrong lately and as the views differ now, times
a factor that grows with every miss and shrinks with every hit until 8 of 10 hit (the idea of adaptive conformal
inference, Gibbs and Candes 2021; from memory, unverified).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import exp, sqrt

from shared.heat.outlook_filters import Lumped, Trend
from shared.times import MINUTE

SLOT_MS = 30 * MINUTE
HORIZONS_H = (6, 12, 24, 48)
ORIGIN_SLOTS = 4  # looked ahead, to be judged later, every two hours
DAY_SLOTS = 48
SETTLED_SLOTS = 3  # after a turn: so many half hours until there is something to go by
FOLLOWED_SLOTS = (
    24  # a hottest sensor that falls silent is waited for this long before a cooler one stands in
)
MEMORY, MEMORY_OF_MIX = 0.85, 0.9  # of an error after the next one, two hours later
FADE_H = 24.0  # the day's change goes on for about so long
PRIOR_C2 = (
    (2.4, 2.4, 6.5, 1.07),
    (6.1, 6.9, 12.9, 2.9),
    (14.9, 18.6, 14.9, 6.2),
    (36.5, 44.0, 36.5, 15.0),
)  # squared errors of the four views at each horizon before the pile has any of its own; shape from simulation
PRIOR_MIXED_C2 = (0.49, 1.7, 4.0, 16.0)
STRANGE_FACTOR = 9.0
FLOOR_C2 = 0.02
BAND_BEGINS = (1.0, 1.05, 1.75, 4.0)  # the factors before the pile has taught any; from simulation
BAND_MISS = (0.1, 0.1, 0.075, 0.05)  # aimed at on each side; where errors are learnt of late, less
BAND_PACE = 0.03
BAND_LEAST, BAND_MOST = 0.25, 6.0
SPREAD_SHARE = 0.5
BAND_FLOOR_C2 = 0.04

Sensor = tuple[str, str]
Slot = tuple[tuple[Sensor, float], ...]
"""The mean of each core sensor that spoke within one half hour."""


@dataclass(slots=True)
class Learnt:
    """What errors at one horizon have taught."""

    views_c2: tuple[float, ...]
    mixed_c2: float
    low: float
    high: float

    def copy(self) -> Learnt:
        return Learnt(self.views_c2, self.mixed_c2, self.low, self.high)

    def weights(self) -> list[float]:
        raw = [(one + FLOOR_C2) ** -2 for one in self.views_c2]
        total = sum(raw)
        return [one / total for one in raw]

    def width(self, spread_c: float) -> float:
        return sqrt(self.mixed_c2 + (SPREAD_SHARE * spread_c) ** 2 + BAND_FLOOR_C2)

    def learn(self, said: Said, celsius: float, miss: float) -> None:
        self.views_c2 = tuple(
            MEMORY * old + (1.0 - MEMORY) * (view - celsius) ** 2
            for old, view in zip(self.views_c2, said.views, strict=True)
        )
        self.mixed_c2 = MEMORY_OF_MIX * self.mixed_c2 + (1.0 - MEMORY_OF_MIX) * (said.c - celsius) ** 2
        self.low = _nudged(self.low, celsius < said.low, miss)
        self.high = _nudged(self.high, celsius > said.high, miss)

    def turned(self, prior: Sequence[float], mixed_c2: float) -> None:
        self.views_c2, self.mixed_c2 = tuple(prior), mixed_c2


def _nudged(factor: float, missed: bool, miss: float) -> float:
    moved = factor * exp(BAND_PACE * ((1.0 if missed else 0.0) - miss) / miss)
    return min(max(moved, BAND_LEAST), BAND_MOST)


@dataclass(frozen=True, slots=True)
class Said:
    """What was said of one horizon: each view, the mix, the band's edges."""

    views: tuple[float, ...]
    c: float
    low: float
    high: float


def _fresh() -> list[Learnt]:
    return [
        Learnt(prior, mixed, begin, begin)
        for prior, mixed, begin in zip(PRIOR_C2, PRIOR_MIXED_C2, BAND_BEGINS, strict=True)
    ]


@dataclass(slots=True)
class Run:
    """The state after slot number ``slot`` (half hours since the epoch)."""

    slot: int = 0
    first: int | None = None  # the first slot with a reading
    heard: int = 0  # the last one
    turn: int | None = None
    followed: Sensor | None = None
    last_c: float = 0.0
    trend: Trend = field(default_factory=Trend)
    lumped: Lumped = field(default_factory=Lumped)
    levels: list[float] = field(default_factory=list)  # of this cycle, the last day's, newest last
    learnt: list[Learnt] = field(default_factory=_fresh)
    pending: list[tuple[int, tuple[Said, ...]]] = field(default_factory=list)

    def copy(self) -> Run:
        return Run(
            self.slot,
            self.first,
            self.heard,
            self.turn,
            self.followed,
            self.last_c,
            self.trend.copy(),
            self.lumped.copy(),
            self.levels.copy(),
            [one.copy() for one in self.learnt],
            self.pending.copy(),
        )

    def step(self, slot: int, means: Slot, turned: bool) -> None:
        """Take in the half hour ``slot``, the one after the last."""
        self.slot = slot
        if self.first is not None:
            self.trend.go_on()
            self.lumped.go_on()
        if turned:
            self._turned(slot)
        celsius = self._hottest(means)
        if celsius is not None:
            self._see(slot, celsius)
        if self.first is not None:
            self.levels.append(self.trend.level)
            del self.levels[: -DAY_SLOTS - 1]
        if slot % ORIGIN_SLOTS == 0 and self.settled():
            self.pending.append((slot, tuple(self.say())))
            del self.pending[: -HORIZONS_H[-1] * 2 // ORIGIN_SLOTS - 1]

    def settled(self) -> bool:
        """Whether there is something to go by: half a day of readings, one in the last hour, and some after a turn."""
        if self.first is None or self.slot - self.first < 24 or self.slot - self.heard > 2:
            return False
        return self.turn is None or self.slot - self.turn >= SETTLED_SLOTS

    def _turned(self, slot: int) -> None:
        self.turn, self.followed = slot, None
        self.trend.turned()
        self.lumped.turned()
        self.levels.clear()
        self.pending.clear()
        for learnt, prior, mixed in zip(self.learnt, PRIOR_C2, PRIOR_MIXED_C2, strict=True):
            learnt.turned(prior, mixed)

    def _hottest(self, means: Slot) -> float | None:
        """The hottest sensor's mean; None while the one that was the hottest is silent and none is hotter."""
        if not means:
            return None
        sensor, celsius = max(means, key=lambda one: one[1])
        if (
            self.followed is not None
            and celsius < self.last_c
            and all(one != self.followed for one, _ in means)
        ):
            if self.slot - self.heard <= FOLLOWED_SLOTS:
                return None
            self._stand_in(celsius)
        self.followed, self.last_c = sensor, celsius
        return celsius

    def _stand_in(self, celsius: float) -> None:
        """A cooler sensor takes the place of one that fell silent: what was said of the other is not held against it,
        and the heat balance of the other's place is not believed of this one until it has proved right."""
        self.trend.turned()
        self.trend.level = celsius
        self.lumped.turned()
        self.lumped.balanced(celsius)
        self.levels.clear()
        self.pending.clear()
        for learnt in self.learnt:
            *others, _ = learnt.views_c2
            learnt.views_c2 = (*others, STRANGE_FACTOR * max(learnt.views_c2))

    def _see(self, slot: int, celsius: float) -> None:
        if self.first is None:
            self.first = slot
            self.trend.level = self.lumped.t = celsius
        self.trend.see(celsius)
        self.lumped.see(celsius)
        before, self.heard = self.heard, slot
        for origin, said in self.pending:
            for number, hours in enumerate(HORIZONS_H):
                due = origin + 2 * hours
                if due == slot or before < due == slot - 1:  # hourly readings fill every second slot
                    self.learnt[number].learn(said[number], celsius, BAND_MISS[number])

    def views(self, hours: float, lumped_c: float) -> tuple[float, ...]:
        level = self.trend.level
        if len(self.levels) <= DAY_SLOTS:
            return level, level, level, lumped_c
        a_day = (level - self.levels[0]) / 24.0
        back = self.levels[round(hours % 24.0 * 2.0)]
        return (
            level,
            level + a_day * FADE_H * (1.0 - exp(-hours / FADE_H)),
            level + back - self.levels[0],
            lumped_c,
        )

    def say(self) -> list[Said]:
        path = self.lumped.path(HORIZONS_H[-1])
        return [
            said_of(self.learnt[number], self.views(hours, path[hours]))
            for number, hours in enumerate(HORIZONS_H)
        ]


def said_of(learnt: Learnt, views: tuple[float, ...]) -> Said:
    weights = learnt.weights()
    c = sum(weight * view for weight, view in zip(weights, views, strict=True))
    width = learnt.width(max(views) - min(views))
    return Said(views, c, c - learnt.low * width, c + learnt.high * width)
