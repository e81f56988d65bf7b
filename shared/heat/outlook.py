"""The hours ahead of a pile's hottest core sensor: 48 h with a band in which about 8 of 10 readings will lie.

A pure function of the readings up to now and of the turns: half-hour means by UTC, taken in day by day; the state at
the start of each day is kept, so that a late reading costs the days since it, and the next one a single step.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shared.heat.crossings import crossings_of, spoken
from shared.heat.outlook_band import edges_around
from shared.heat.outlook_learnt import HORIZONS_H, expected_off
from shared.heat.outlook_run import DAY_SLOTS, SLOT_MS, Run, Sensor, Slot
from shared.heat.report import Crossing, OutlookPoint
from shared.times import DAY, HOUR, MINUTE, Millis

NOT_BEFORE_MS = 48 * HOUR
LONGEST_SILENCE_MS = 3 * HOUR
SHOWN_H = (0, 1, 2, 3, 4, 6, 8, 10, 12, 15, 18, 21, 24, 30, 36, 42, 48)
TO_PLAN_BY_C = 10.0
"""Two steps of the turning guide: a band wider than that may mean turn now or not for days."""
WEEK_DAYS, REACH_DAYS = 7, 21
"""What is older than three weeks, in whole weeks, has no say: the cost stays the same whatever the pile's age."""

Day = tuple[Slot, ...]
Readings = Iterable[tuple[str, str, NDArray[np.int64], NDArray[np.float64]]]


@dataclass(frozen=True, slots=True)
class Path:
    """Hourly from ``start``: the middle and both edges of the band, °C."""

    start: Millis
    c: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]

    def along(self, which: Sequence[float], at: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
        """°C on ``which`` line at each instant; past the end it stays as it is there."""
        celsius: NDArray[np.float64] = np.interp((at - self.start) / HOUR, np.arange(len(which)), which)
        return celsius

    def at(self, which: Sequence[float], at: float) -> float:
        return float(self.along(which, np.array([at]))[0])


@dataclass(frozen=True, slots=True)
class Outlook:
    """``points`` is empty where nothing can be said; ``note`` says why, or what cannot be said to the hour."""

    points: tuple[OutlookPoint, ...] = ()
    crossings: tuple[Crossing, ...] = ()
    note: str = ""
    path: Path | None = None


NO_OUTLOOK = Outlook()


@dataclass
class OutlookState:
    """Kept beside a pile's sums. ``day_of`` gives a day's half-hour means; the same object again = nothing changed."""

    _days: dict[int, tuple[Day, tuple[int, ...]]] = field(default_factory=dict)
    _begins: dict[int, Run] = field(default_factory=dict)  # the state before each day
    _first_day: int = -1
    _now: tuple[Run, Day, tuple[int, ...], Run] | None = (
        None  # how the day began, what it held, the state since
    )

    def look(self, day_of: Callable[[int], Day], turns: Sequence[int], built_at: int, now: int) -> Outlook:
        """``turns`` ascending. ``day_of`` must know no reading later than ``now``."""
        known = turns[: bisect_right(turns, now)]
        run = self._run(day_of, known, built_at, now)
        return outlook_of(run, built_at, now)

    def _run(self, day_of: Callable[[int], Day], turns: Sequence[int], built_at: int, now: int) -> Run:
        today = now // DAY
        first = max(today // WEEK_DAYS * WEEK_DAYS - REACH_DAYS, built_at // DAY)
        aloud_from = (built_at + NOT_BEFORE_MS) // SLOT_MS
        if first != self._first_day or self._begins[first].aloud_from != aloud_from:
            self._first_day, self._days, self._now = first, {}, None
            self._begins = {first: Run(aloud_from)}
        by_day: dict[int, list[int]] = {}
        for at in turns:
            by_day.setdefault(at // DAY, []).append(at // SLOT_MS)
        for day in range(first, today):
            means, turned = day_of(day), tuple(by_day.get(day, ()))
            held = self._days.get(day)
            if held is None or held[0] is not means or held[1] != turned:
                self._forget_from(day)
                self._days[day] = (means, turned)
                self._begins[day + 1] = _through(self._begins[day].copy(), day, means, turned, 0)
        self._forget_from(today)
        return self._today(today, day_of(today), tuple(by_day.get(today, ())), now)

    def _forget_from(self, day: int) -> None:
        for later in [one for one in self._days if one >= day]:
            del self._days[later]
            self._begins.pop(later + 1, None)

    def _today(self, today: int, means: Day, turned: tuple[int, ...], now: int) -> Run:
        """Whole half hours are kept; the one that is still running is looked at and forgotten."""
        begin, whole = self._begins[today], now // SLOT_MS - today * DAY_SLOTS
        run, done = begin, 0
        if self._now is not None and self._now[0] is begin and self._now[2] == turned:
            count = len(self._now[1])
            if count <= whole and self._now[1] == means[:count]:
                run, done = self._now[3], count
        if done < whole:
            run = _through(run.copy(), today, means[:whole], turned, done)
        self._now = (begin, means[:whole], turned, run)
        running = run.copy()
        running.take_in(now // SLOT_MS, means[whole], now // SLOT_MS in turned)
        return running


def _through(run: Run, day: int, means: Day, turned: tuple[int, ...], done: int) -> Run:
    for number in range(done, len(means)):
        slot = day * DAY_SLOTS + number
        run.step(slot, means[number], slot in turned)
    return run


def day_means(readings: Readings, day: int, turns: Sequence[int]) -> Day:
    """The half-hour means of each sensor on one UTC day; in the half hour of a turn, of what came after it."""
    start = day * DAY
    slots: list[list[tuple[Sensor, float]]] = [[] for _ in range(DAY_SLOTS)]
    today = [at for at in turns if start <= at < start + DAY]
    for probe, depth, every_at, every_c in readings:
        keep = (every_at >= start) & (every_at < start + DAY)
        for turn in today:
            keep &= (every_at // SLOT_MS != turn // SLOT_MS) | (every_at > turn)
        at, celsius = every_at[keep], every_c[keep]
        number = (at - start) // SLOT_MS
        count = np.bincount(number, minlength=DAY_SLOTS)
        total = np.bincount(number, celsius, minlength=DAY_SLOTS)
        for row in np.flatnonzero(count).tolist():
            slots[row].append(((probe, depth), float(total[row] / count[row])))
    return tuple(tuple(one) for one in slots)


def outlook(
    curves: Mapping[Sensor, tuple[NDArray[np.int64], NDArray[np.float64]]],
    turns: Sequence[int],
    built_at: int,
    now: int,
) -> Outlook:
    """Worked out afresh from the core sensors' good readings (instants int64 ms ascending, °C)."""
    known = sorted(turns)
    some = [(probe, depth, at[at <= now], c[at <= now]) for (probe, depth), (at, c) in curves.items()]
    return OutlookState().look(lambda day: day_means(some, day, known), known, built_at, now)


def outlook_of(run: Run, built_at: int, now: int) -> Outlook:
    if now - built_at < NOT_BEFORE_MS:
        return Outlook(
            note="Not known yet: in its first 48 hours all that can be said is whether the pile is heating."
        )
    if run.first is None or now - (run.heard + 1) * SLOT_MS > LONGEST_SILENCE_MS:
        return Outlook(note="Not known: the core was not heard within the last three hours.")
    if not run.settled() and run.slot - run.heard <= 2:
        since = "the turn" if run.turn is not None and run.slot - run.first >= 24 else "the first reading"
        return Outlook(note=f"Not known yet: too little was heard since {since}.")
    path = _path(run)
    shown = [Millis(now + hours * HOUR) for hours in SHOWN_H]
    lines = [
        path.along(line, np.array(shown, dtype=np.float64)).tolist() for line in (path.c, path.low, path.high)
    ]
    points = tuple(
        OutlookPoint(at=at, c=c, low=low, high=high) for at, c, low, high in zip(shown, *lines, strict=True)
    )
    found = crossings_of(path.start, path.c, path.low, path.high, now)
    note = " ".join(one for one in (_too_wide(path), spoken(found)) if one)
    return Outlook(points, tuple(found.crossings), note, path)


def _too_wide(path: Path) -> str:
    """From when on the band is no ground to plan a turn on; empty where it is to the end."""
    wide = np.flatnonzero(np.array(path.high) - np.array(path.low) > TO_PLAN_BY_C)
    if not len(wide) or wide[0] > HORIZONS_H[-1]:
        return ""
    return f"Too wide to plan a turn by from {max(1, int(wide[0]))} h ahead on."


def _path(run: Run) -> Path:
    start = Millis(run.slot * SLOT_MS + 15 * MINUTE)
    hours, stage = HORIZONS_H[-1] + 1, run.stage()
    paths = run.paths(hours)
    views = np.array([run.views(hour, *(path[hour] for path in paths)) for hour in range(hours + 1)])
    weights = _BETWEEN @ np.array([one.weights(stage) for one in run.learnt])
    off = np.interp(np.arange(hours + 1), (0, *HORIZONS_H), (0.0, *expected_off(run.learnt, stage)))
    c = (weights * views).sum(axis=1)
    low, high = edges_around([one.edges for one in run.learnt], _BETWEEN, c, off, np.ptp(views, axis=1))
    return Path(start, tuple(c.tolist()), tuple(low.tolist()), tuple(high.tolist()))


_BETWEEN = np.stack(
    [np.interp(np.arange(HORIZONS_H[-1] + 2), HORIZONS_H, row) for row in np.eye(len(HORIZONS_H))], axis=1
)
"""What was learnt at each horizon, carried to each whole hour on the straight line; shape (hours, horizons)."""
