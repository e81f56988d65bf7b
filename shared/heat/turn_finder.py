"""Finds turns that nobody logged, in the curves of one probe. Pure; what it finds is proposed, never counted.

A turn mixes the pile: the core falls at once, at least about as far as the other depths, the profile collapses towards
one value, and the fall stays (the pile reheats at its own pace, it does not jump back). A pulled-out probe goes to air
temperature and jumps back; water from above cools the shallow depths and leaves the core; a fault moves one depth. A
sensor so near to the surface that rain and sun reach it is not believed alone.

Every figure here was chosen on simulated piles (``make evaluate``), none fitted to one record.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from shared.heat.turn_grid import LONGEST_GAP_MS, Depths, in_the_air, on_one_axis
from shared.heat.turn_signs import (
    HEATING_FALL_C,
    HEATING_MOST_FALL_C,
    SWING_MS,
    in_reach_of_weather,
    mixed,
    most_fell,
    reheats_after,
    returned,
    swings,
)
from shared.times import HOUR, Millis

Confidence = Literal["likely", "possible"]

WINDOW, WINDOW_AFTER = 6, 3  # samples before and after whose medians are compared ...
WINDOW_MS = 3 * HOUR  # ... and no more than this long
LEAST_FALL_C, LEAST_FALL_SHARE = 3.5, 0.07  # the greater of these two, of the core over the air
COOLING_C_H = 0.5  # what a gap may explain by itself: the fastest natural cooling in simulation
ONE_DEPTH_FACTOR = 1.4  # with a single depth there is no profile to look at: ask for more ...
ONE_DEPTH_REHEATED = 1.1  # ... and for less once it reheats
MERGE_MS = 12 * HOUR
COOL_CORE_C = 30.0  # below this a turn leaves no trace that could be told from weather


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
    grid, values = on_one_axis(depths)
    if len(grid) < 2 * WINDOW:
        return []
    usable = ~in_the_air(grid, values) & np.isfinite(values).any(axis=1)
    grid, values = grid[usable], values[usable]
    outer = np.array([in_reach_of_weather(depth) for depth in depths])
    steps = _steps_down(values)
    candidates = [found for index in steps if (found := _judge(grid, values, outer, index, air_c))]
    return _merged(candidates)


@dataclass(frozen=True, slots=True)
class _Candidate:
    at: int
    fall: float
    step: float
    depths: int
    returned: bool
    reheats: bool


def _steps_down(values: NDArray[np.float64]) -> list[int]:
    """Indices i where some depth is at least 2 K colder within two samples from i on."""
    fall = np.full(len(values), -np.inf)
    for ahead in (1, 2):
        change = values[:-ahead] - values[ahead:]
        most = np.where(np.isnan(change), -np.inf, change).max(axis=1)
        fall[: len(change)] = np.maximum(fall[: len(change)], most)
    return [int(index) for index in np.flatnonzero(fall >= 2.0)]


def _judge(
    grid: NDArray[np.int64],
    values: NDArray[np.float64],
    outer: NDArray[np.bool_],
    index: int,
    air_c: float,
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
    can_tell = both.sum() > 1 or not outer[both].all()
    if len(pre) < 2 or len(post) < 2 or gap > LONGEST_GAP_MS or not can_tell:
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
    reheats = reheats_after(grid, series, index, float(post_c[core]))
    if len(pre_c) > 1:
        turned = mixed(pre_c, post_c, fall)
    else:
        turned = fall >= least * (ONE_DEPTH_REHEATED if reheats else ONE_DEPTH_FACTOR)
    if not turned:
        return None
    lately = series[grid.searchsorted(grid[index] - SWING_MS) : index + 1]
    heating_fall = HEATING_MOST_FALL_C if most_fell(pre_c - post_c, fall) else HEATING_FALL_C
    if swings(lately[np.isfinite(lately)], float(post_c[core]), fall, heating_fall):
        return None
    return _Candidate(
        at=int((grid[index] + grid[index + 1]) // 2),
        fall=fall,
        step=float(np.nan_to_num(series[index] - series[index + 1], nan=fall)),
        depths=len(pre_c),
        returned=returned(grid, series, index, float(pre_c[core]), fall),
        reheats=reheats,
    )


def _medians(columns: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of each column's finite values, of which each has one."""
    ordered = np.sort(columns, axis=0)  # NaN comes last
    count, column = np.isfinite(columns).sum(axis=0), np.arange(columns.shape[1])
    middle: NDArray[np.float64] = 0.5 * (ordered[(count - 1) // 2, column] + ordered[count // 2, column])
    return middle


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
