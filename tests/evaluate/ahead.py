"""How far the outlook is off, and how often its band holds, beside persistence, a straight line and a damped trend.

Each pile is lived through: at every origin only the readings up to then are there. Truth is the hottest core sensor's
half-hour mean at the target. Left out: the first 48 hours (the outlook says nothing), two hours after a turn, and
stretches from an origin to its target in which the pile was turned (nobody can foresee that).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.heat.ahead import outlook_now
from shared.heat.engine import PileHeat
from shared.heat.facts import PileFacts
from shared.heat.found_turns import found_turns
from shared.heat.outlook_filters import Trend
from shared.piles import Pile, Placement, Turn
from shared.readings import SensorKey
from shared.times import DAY, HOUR, MINUTE, Millis, Span
from tests.evaluate.sets import Record

HORIZONS_H = (6, 12, 24, 48)
WAYS = ("outlook", "persistence", "line of 3 h", "damped trend")
SLOT = 30 * MINUTE
MAX_GAP_MS = 180 * MINUTE
AFTER_TURN_MS = 2 * HOUR
MISS_COSTS = 10.0  # 2 / (1 - 0.8): the interval score of Gneiting and Raftery 2007, section 6.2


@dataclass
class Errors:
    """Rows: one an origin and horizon that can be judged."""

    horizon_h: NDArray[np.float64]
    off: NDArray[np.float64]  # (rows, ways): said minus truth
    inside: NDArray[np.bool_]
    width: NDArray[np.float64]
    score: NDArray[np.float64]  # of the interval: its width, and ten times what it missed the truth by


def errors_of(record: Record, every_h: float = 5.0, *, logged: bool = True) -> Errors:
    heat = PileHeat(_facts(record, logged), MAX_GAP_MS)
    truth, places = _half_hours(_whole(record), record)
    first = record.built_at // SLOT
    last = max(int(at[-1]) for at, _ in record.curves.values())
    rows: list[tuple[float, list[float], bool, float, float]] = []
    before = record.built_at - DAY
    for now in range(record.built_at + 48 * HOUR, last, round(every_h * HOUR)):
        for (probe, depth), (at, celsius) in record.curves.items():
            some = slice(int(at.searchsorted(before, "right")), int(at.searchsorted(now, "right")))
            heat.put(SensorKey("larkfield", probe, depth), at[some], celsius[some])
        before = now
        found = [] if logged else found_turns(heat, Millis(now))
        said = outlook_now(heat, found, Millis(now))
        if said.path is None:
            continue
        past = truth[: now // SLOT - first]
        since = max([record.built_at, *(at for at in record.turns if at <= now)])
        if now - since < AFTER_TURN_MS or not np.isfinite(past[-3:]).any():
            continue
        others = _others(past[max(0, since // SLOT + 1 - first) :])
        for hours in HORIZONS_H:
            target = now + hours * HOUR
            slot = target // SLOT - first
            turned = any(now < at <= target + SLOT for at in record.turns)
            if turned or slot >= len(truth) or not np.isfinite(truth[slot]):
                continue
            if places[slot] != places[now // SLOT - first]:
                continue
            is_c = float(truth[slot])
            middle = (slot + first) * SLOT + SLOT / 2
            c, low, high = (
                said.path.at(line, middle) for line in (said.path.c, said.path.low, said.path.high)
            )
            ways = [c, *(other(hours) for other in others)]
            rows.append(
                (
                    hours,
                    [one - is_c for one in ways],
                    low <= is_c <= high,
                    high - low,
                    high - low + MISS_COSTS * max(low - is_c, is_c - high, 0.0),
                )
            )
    return Errors(
        np.array([row[0] for row in rows], dtype=np.float64),
        np.array([row[1] for row in rows], dtype=np.float64).reshape(len(rows), len(WAYS)),
        np.array([row[2] for row in rows], dtype=np.bool_),
        np.array([row[3] for row in rows], dtype=np.float64),
        np.array([row[4] for row in rows], dtype=np.float64),
    )


def joined(parts: list[Errors]) -> Errors:
    return Errors(
        *(np.concatenate([getattr(one, name) for one in parts]) for name in Errors.__dataclass_fields__)
    )


def half_hours(record: Record) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """The hottest core sensor's half-hour means, NaN where it is not known, and which place each is of."""
    return _half_hours(_whole(record), record)


def _whole(record: Record) -> PileHeat:
    heat = PileHeat(_facts(record, True), MAX_GAP_MS)
    for (probe, depth), (at, celsius) in record.curves.items():
        heat.put(SensorKey("larkfield", probe, depth), at, celsius)
    return heat


def _facts(record: Record, logged: bool) -> PileFacts:
    probes = sorted({probe for probe, _ in record.curves})
    placements = tuple(
        Placement(f"at {probe}", "larkfield", probe, "pile", Span(Millis(record.built_at - DAY)), probe)
        for probe in probes
    )
    turns = (
        tuple(Turn(f"turn {number}", "pile", at) for number, at in enumerate(record.turns)) if logged else ()
    )
    return PileFacts(Pile("pile", "larkfield", "K-01", record.built_at), placements, turns)


def _half_hours(heat: PileHeat, record: Record) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """The hottest core sensor's mean in each half hour from the build on; NaN where none spoke, or where the one that
    had been hottest within 12 h is silent and only cooler ones spoke. The second array grows by one where a cooler
    sensor takes the place of one that fell silent: nobody foresees that, and it is not judged."""
    first = record.built_at // SLOT
    last = max(int(at[-1]) for at, _ in record.curves.values()) // SLOT
    columns = []
    for _, _, at, celsius in heat.readings("core", after=Millis(record.built_at - 1), until=Millis(2**62)):
        number = (at // SLOT - first).astype(np.int64)
        count = np.bincount(number, minlength=last - first + 1).astype(np.float64)
        total = np.bincount(number, celsius, minlength=last - first + 1)
        with np.errstate(invalid="ignore"):
            columns.append(np.where(count > 0, total / count, np.nan))
    every = np.stack(columns)
    hottest = np.full(every.shape[1], np.nan)
    places = np.zeros(every.shape[1], dtype=np.int64)
    followed, heard = -1, -1
    for slot in range(every.shape[1]):
        spoke = np.flatnonzero(np.isfinite(every[:, slot]))
        if not len(spoke):
            continue
        row = int(spoke[np.argmax(every[spoke, slot])])
        if followed >= 0 and followed not in spoke and every[row, slot] < hottest[heard]:
            if slot - heard <= 24:
                continue
            places[slot] = 1
        hottest[slot], followed, heard = every[row, slot], row, slot
    lone = np.isnan(hottest[1:]) & np.isfinite(hottest[:-1])  # hourly readings fill every second half hour
    hottest[1:][lone] = hottest[:-1][lone]
    return hottest, np.cumsum(places)


class _Other:
    def __init__(self, level: float, slope: float, fade_h: float) -> None:
        self.level, self.slope, self.fade_h = level, slope, fade_h

    def __call__(self, hours: float) -> float:
        reach = hours if np.isinf(self.fade_h) else self.fade_h * (1.0 - np.exp(-hours / self.fade_h))
        return float(self.level + self.slope * reach)


def _others(past: NDArray[np.float64]) -> list[_Other]:
    """Persistence, the line through the last three hours, a damped trend; ``past``: since the turn or the build."""
    known = np.flatnonzero(np.isfinite(past))
    newest = float(past[known[-1]])
    recent = known[known > len(past) - 7]
    slope, at_end = 0.0, newest
    if len(recent) > 1:
        hours = (recent - len(past) + 1) * 0.5
        slope, at_end = (float(one) for one in np.polyfit(hours, past[recent], 1))
    trend = Trend(level=float(past[known[0]]))
    for value in past[known[0] :]:
        trend.go_on()
        if np.isfinite(value):
            trend.see(float(value))
    return [
        _Other(newest, 0.0, 1.0),
        _Other(at_end, slope, np.inf),
        _Other(trend.level, trend.slope, trend.fade_h),
    ]
