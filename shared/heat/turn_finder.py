"""Finds turns that nobody logged, in the curves of one probe. Pure; what it finds is proposed, never counted.

A turn mixes the pile: the core falls at once, at least about as far as the other depths, the profile collapses towards
one value, and the fall stays (the pile reheats at its own pace, it does not jump back). A pulled-out probe goes to air
temperature and jumps back; water from above cools the shallow depths and leaves the core; a fault moves one depth.

Every figure here was chosen on simulated piles (``make evaluate``), none fitted to one record.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from shared.times import HOUR, MINUTE, Millis

Confidence = Literal["likely", "possible"]
Depths = Mapping[str, tuple[NDArray[np.int64], NDArray[np.float64]]]

WINDOW, WINDOW_AFTER = 6, 3  # samples before and after whose medians are compared ...
WINDOW_MS = 3 * HOUR  # ... and no more than this long
LONGEST_GAP_MS = 8 * HOUR  # between the two sides: a probe taken out to turn may lie about for a while
LEAST_FALL_C, LEAST_FALL_SHARE = 3.5, 0.07  # the greater of these two, of the core over the air
COOLING_C_H = 0.5  # what a gap may explain by itself: the fastest natural cooling in simulation
COLLAPSED_TO, COLLAPSED_C = 0.65, 5.0  # profile spread after: this share of before, or this many kelvin
CORE_SHARE = 0.6  # the core falls at least this share of the depth that fell most
MOST_FALL_C, MOST_FALL_SHARE = 6.0, 0.4  # or most depths fall far: the profile need not collapse then
ONE_DEPTH_FACTOR = 1.4  # with a single depth there is no profile to look at: ask for more ...
ONE_DEPTH_REHEATED = 1.1  # ... and for less once it reheats
# colder than it was within the last 26 hours, and by a share of how much it moved then: a day's swing returns
SWING_MS, BELOW_LATELY_C, BELOW_SWING_SHARE = 26 * HOUR, 1.0, 0.25
# or, of a pile that heats, a fall this far (of most depths, of fewer), at most this share of it the day before
HEATING_MOST_FALL_C, HEATING_FALL_C, HEATING_FELL_SHARE = 4.5, 7.0, 0.35
MERGE_MS = 12 * HOUR
COOL_CORE_C = 30.0  # below this a turn leaves no trace that could be told from weather
# back that soon, by such a jump: it was no turn
RETURN_MS, RETURN_SHARE, RETURN_JUMP_C_MIN = 4 * HOUR, 0.35, 0.20
# out: the warmest depth falls this far within two samples, and comes back so far in one
PULLED_OUT_C, BACK_IN_C = 12.0, 7.0


@dataclass(frozen=True, slots=True)
class FoundTurn:
    """``at``: the middle of the largest single step down. ``fall_c`` of the core, medians before and after."""

    at: Millis
    fall_c: float
    confidence: Confidence
    why: str


def find_turns(depths: Depths, *, air_c: float = 15.0) -> list[FoundTurn]:
    """Turns in ``depths`` (name -> instants int64 ms ascending, °C), oldest first.

    Reads nothing further than 26 h from a turn, so late readings are judged anew by calling it on that stretch.
    """
    grid, values = _grid(depths)
    if len(grid) < 2 * WINDOW:
        return []
    usable = ~_in_the_air(grid, values) & np.isfinite(values).any(axis=1)
    grid, values = grid[usable], values[usable]
    candidates = [found for index in _steps_down(values) if (found := _judge(grid, values, index, air_c))]
    return _merged(candidates)


@dataclass(frozen=True, slots=True)
class _Candidate:
    at: int
    fall: float
    step: float
    depths: int
    returned: bool
    reheats: bool


def _grid(depths: Depths) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
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


def _in_the_air(grid: NDArray[np.int64], values: NDArray[np.float64]) -> NDArray[np.bool_]:
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


def _steps_down(values: NDArray[np.float64]) -> list[int]:
    """Indices i where some depth is at least 2 K colder within two samples from i on."""
    fall = np.full(len(values), -np.inf)
    for ahead in (1, 2):
        change = values[:-ahead] - values[ahead:]
        most = np.where(np.isnan(change), -np.inf, change).max(axis=1)
        fall[: len(change)] = np.maximum(fall[: len(change)], most)
    return [int(index) for index in np.flatnonzero(fall >= 2.0)]


def _judge(
    grid: NDArray[np.int64], values: NDArray[np.float64], index: int, air_c: float
) -> _Candidate | None:
    before = slice(max(0, index - WINDOW + 1), index + 1)
    after = slice(index + 2, index + 2 + WINDOW_AFTER)
    if index + 2 >= len(grid):
        return None
    keep_before = grid[before] >= grid[index] - WINDOW_MS
    keep_after = grid[after] <= grid[index + 2] + WINDOW_MS
    pre, post = values[before][keep_before], values[after][keep_after]
    gap = int(grid[index + 2] - grid[index])
    both = np.isfinite(pre).any(axis=0) & np.isfinite(post).any(axis=0)
    if len(pre) < 2 or len(post) < 2 or gap > LONGEST_GAP_MS or not both.any():
        return None
    pre_c, post_c = _medians(pre[:, both]), _medians(post[:, both])
    core = int(np.argmax(pre_c))
    fall = float(pre_c[core] - post_c[core])
    least = max(LEAST_FALL_C, LEAST_FALL_SHARE * (pre_c[core] - air_c)) + COOLING_C_H * max(
        0.0, gap / HOUR - 0.5
    )
    if fall < least or pre_c[core] < COOL_CORE_C:
        return None
    series = values[:, np.flatnonzero(both)[core]]
    reheats = _reheats(grid, series, index, float(post_c[core]))
    if len(pre_c) > 1:
        turned = _mixed(pre_c, post_c, fall)
    else:
        turned = fall >= least * (ONE_DEPTH_REHEATED if reheats else ONE_DEPTH_FACTOR)
    if not turned:
        return None
    lately = series[grid.searchsorted(grid[index] - SWING_MS) : index + 1]
    heating_fall = HEATING_MOST_FALL_C if _most_fell(pre_c - post_c, fall) else HEATING_FALL_C
    if _swings(lately[np.isfinite(lately)], float(post_c[core]), fall, heating_fall):
        return None
    return _Candidate(
        at=int((grid[index] + grid[index + 1]) // 2),
        fall=fall,
        step=float(np.nan_to_num(series[index] - series[index + 1], nan=fall)),
        depths=len(pre_c),
        returned=_returned(grid, series, index, float(pre_c[core]), fall),
        reheats=reheats,
    )


def _medians(columns: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of each column's finite values, of which each has one."""
    ordered = np.sort(columns, axis=0)  # NaN comes last
    count, column = np.isfinite(columns).sum(axis=0), np.arange(columns.shape[1])
    middle: NDArray[np.float64] = 0.5 * (ordered[(count - 1) // 2, column] + ordered[count // 2, column])
    return middle


def _swings(lately: NDArray[np.float64], after_c: float, fall: float, heating_fall: float) -> bool:
    """Whether such a fall is nothing new here: it was as cold within a day, and not because it was still heating."""
    margin = max(BELOW_LATELY_C, BELOW_SWING_SHARE * float(np.ptp(lately)))
    if after_c <= float(lately.min()) - margin:
        return False
    fell = float((np.maximum.accumulate(lately) - lately).max())
    return fall < heating_fall or fell > HEATING_FELL_SHARE * fall


def _mixed(pre_c: NDArray[np.float64], post_c: NDArray[np.float64], fall: float) -> bool:
    """Whether the profile looks mixed: it collapsed, or most depths fell far; and the core fell about the most."""
    falls = pre_c - post_c
    collapsed = np.ptp(post_c) <= max(COLLAPSED_TO * np.ptp(pre_c), COLLAPSED_C)
    as_one = fall >= MOST_FALL_C and _most_fell(falls, fall)
    return bool(as_one or collapsed) and fall >= CORE_SHARE * float(falls.max())


def _most_fell(falls: NDArray[np.float64], fall: float) -> bool:
    """Whether more than half of the depths fell a good part as far as the core."""
    return 2 * int((falls >= MOST_FALL_SHARE * fall).sum()) > len(falls)


def _returned(
    grid: NDArray[np.int64], series: NDArray[np.float64], index: int, before_c: float, fall: float
) -> bool:
    """Whether the core is soon back near where it was, and came back by a jump that no pile makes."""
    soon = (grid > grid[index + 1]) & (grid <= grid[index + 1] + RETURN_MS) & np.isfinite(series)
    at, value = grid[soon], series[soon]
    if len(value) < 3:
        return False
    back = int((value >= before_c - RETURN_SHARE * fall).sum()) >= 3
    rate = np.diff(value) / (np.diff(at) / MINUTE)
    return back and bool((rate > RETURN_JUMP_C_MIN).any())


def _reheats(grid: NDArray[np.int64], series: NDArray[np.float64], index: int, after_c: float) -> bool:
    later = (grid > grid[index] + 3 * HOUR) & (grid <= grid[index] + 14 * HOUR)
    values = series[later]
    values = values[np.isfinite(values)]
    return len(values) > 0 and float(values.max()) > after_c + 1.0


def _merged(candidates: list[_Candidate]) -> list[FoundTurn]:
    found: list[FoundTurn] = []
    group: list[_Candidate] = []
    for one in candidates:
        if group and one.at - group[0].at > MERGE_MS:
            found += _one_of(group)
            group = []
        group.append(one)
    return found + (_one_of(group) if group else [])


def _one_of(group: list[_Candidate]) -> list[FoundTurn]:
    kept = [one for one in group if not one.returned]
    if not kept:
        return []
    largest = max(kept, key=lambda one: (one.step, one.fall))
    fall = max(one.fall for one in kept)
    likely = largest.depths > 1 and any(one.reheats for one in kept)
    depths = f"{largest.depths} depths fell together" if largest.depths > 1 else "the only depth fell"
    reheat = " and it reheats" if any(one.reheats for one in kept) else ""
    return [
        FoundTurn(
            Millis(largest.at),
            fall,
            "likely" if likely else "possible",
            f"The core fell {fall:.0f} K at once, {depths}{reheat}.",
        )
    ]
