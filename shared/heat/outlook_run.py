"""Follows the hottest core sensor half hour by half hour, and learns from the pile's own errors whom to believe.

Five views of the hours ahead: it stays as it is; what the last 24 hours brought goes on and fades; it does what it did
yesterday at these hours (sun and night); a lumped heat balance, once for each of two shapes of biology's rate over
temperature, as nobody knows which one a pile follows. How they are weighed: ``outlook_learnt.py``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp

from shared.heat.outlook_filters import Lumped, Trend, square_root
from shared.heat.outlook_learnt import (
    CARDINAL,
    HORIZONS_H,
    SQUARE_ROOT,
    Learnt,
    Said,
    said_of,
    stage_at,
)
from shared.times import MINUTE

SLOT_MS = 30 * MINUTE
ORIGIN_SLOTS = 4  # looked ahead, to be judged later, every two hours
DAY_SLOTS = 48
SETTLED_SLOTS = 3  # after a turn: so many half hours until there is something to go by
FOLLOWED_SLOTS = (
    24  # a hottest sensor that falls silent is waited for this long before a cooler one stands in
)
FADE_H = 24.0  # the day's change goes on for about so long

Sensor = tuple[str, str]
Slot = tuple[tuple[Sensor, float], ...]
"""The mean of each core sensor that spoke within one half hour."""


def _fresh() -> list[Learnt]:
    return [Learnt(number) for number in range(len(HORIZONS_H))]


def _balances() -> tuple[Lumped, ...]:
    return Lumped(), Lumped(kinetics=square_root)


@dataclass(slots=True)
class Run:
    """The state after slot number ``slot`` (half hours since the epoch)."""

    aloud_from: int = 0  # the first slot at which what is said is heard
    slot: int = 0
    first: int | None = None  # the first slot with a reading
    heard: int = 0  # the last one
    turn: int | None = None
    begun: int = 0  # the first slot of this cycle: of the turn, the first reading, or the present sensor
    followed: Sensor | None = None
    last_c: float = 0.0
    trend: Trend = field(default_factory=Trend)
    balances: tuple[Lumped, ...] = field(default_factory=_balances)
    levels: list[float] = field(default_factory=list)  # of this cycle, the last day's, newest last
    learnt: list[Learnt] = field(default_factory=_fresh)
    pending: dict[int, tuple[Said, ...]] = field(default_factory=dict)  # by the slot that it was said at

    def copy(self) -> Run:
        return Run(
            self.aloud_from,
            self.slot,
            self.first,
            self.heard,
            self.turn,
            self.begun,
            self.followed,
            self.last_c,
            self.trend.copy(),
            tuple(one.copy() for one in self.balances),
            self.levels.copy(),
            [one.copy() for one in self.learnt],
            self.pending.copy(),
        )

    def step(self, slot: int, means: Slot, turned: bool) -> None:
        """Take in the half hour ``slot``, the one after the last, and look ahead from it, to be judged later."""
        self.take_in(slot, means, turned)
        if slot % ORIGIN_SLOTS == 0 and self.settled():
            self.pending[slot] = self.say()
            for origin in [one for one in self.pending if one < slot - 2 * HORIZONS_H[-1]]:
                del self.pending[origin]

    def take_in(self, slot: int, means: Slot, turned: bool) -> None:
        self.slot = slot
        if self.first is not None:
            self.trend.go_on()
            for one in self.balances:
                one.go_on()
        if turned:
            self._turned(slot)
        celsius = self._hottest(means)
        if celsius is not None:
            self._see(slot, celsius)
        if self.first is not None:
            self.levels.append(self.trend.level)
            del self.levels[: -DAY_SLOTS - 1]

    def settled(self) -> bool:
        """Whether there is something to go by: half a day of readings, one in the last hour, and some after a turn."""
        if self.first is None or self.slot - self.first < 24 or self.slot - self.heard > 2:
            return False
        return self.turn is None or self.slot - self.turn >= SETTLED_SLOTS

    def _turned(self, slot: int) -> None:
        self.turn, self.begun, self.followed = slot, slot, None
        self.trend.turned()
        for one in self.balances:
            one.turned()
        self.levels.clear()
        self.pending.clear()

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
        self.begun = self.slot
        self.trend.turned()
        self.trend.level = celsius
        for one in self.balances:
            one.turned()
            one.balanced(celsius)
        self.levels.clear()
        self.pending.clear()
        for learnt in self.learnt:
            learnt.doubt((CARDINAL, SQUARE_ROOT))

    def _see(self, slot: int, celsius: float) -> None:
        if self.first is None:
            self.first = self.begun = slot
            self.trend.level = celsius
            for one in self.balances:
                one.t = celsius
        self.trend.see(celsius)
        for one in self.balances:
            one.see(celsius)
        before, self.heard = self.heard, slot
        due = (slot, slot - 1) if before < slot - 1 else (slot,)  # hourly readings fill every second slot
        for number, hours in enumerate(HORIZONS_H):
            for at in due:
                if said := self.pending.get(at - 2 * hours):
                    self.learnt[number].learn(said[number], celsius)

    def stage(self) -> int:
        return stage_at((self.slot - self.begun + 1) / 2)

    def views(self, hours: float, *balanced: float) -> tuple[float, ...]:
        """°C so many hours ahead; ``balanced``: by the heat balances."""
        level = self.trend.level
        if len(self.levels) <= DAY_SLOTS:
            return level, level, level, *balanced
        a_day = (level - self.levels[0]) / 24.0
        back = self.levels[round(hours % 24.0 * 2.0)]
        return (
            level,
            level + a_day * FADE_H * (1.0 - exp(-hours / FADE_H)),
            level + back - self.levels[0],
            *balanced,
        )

    def paths(self, hours: int) -> list[list[float]]:
        """By each heat balance: °C now and after each whole hour."""
        return [one.path(hours) for one in self.balances]

    def say(self) -> tuple[Said, ...]:
        paths = self.paths(HORIZONS_H[-1])
        views = [self.views(hours, *(path[hours] for path in paths)) for hours in HORIZONS_H]
        return said_of(self.learnt, self.stage(), views, aloud=self.slot >= self.aloud_from)
