"""Which readings of a probe the sums leave out, and why: a pure function of its own readings, near in time.

Nothing further than ``REACH_MS`` away has a say, so a window is judged like the whole, whatever came when. A constant
or stepped record is left alone: only what no pile does is marked. Limits not named below are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from shared.readings import ArrivalMark
from shared.times import HOUR, MINUTE

POWER_ON_C = 85.0  # the sensor's value before its first conversion; a burning pile may read it too
SUPPORT_K = 10.0  # a neighbour this near makes an 85.0 believable
SUPPORT_MS = 6 * HOUR
SENTINELS_C = (-127.0, 127.94, 127.9375)  # a driver's "disconnected"; a failed conversion, 0x07FF
SENSOR_LOW_C, SENSOR_HIGH_C = -55.0, 125.0
SPIKE_K, STEADY_K, SPIKE_MS = 10.0, 3.0, 60 * MINUTE
AIR_SPREAD_K, AIR_HIGH_C = 3.0, 30.0
FALL_K, RISE_K, PILE_SPREAD_K, HANDLING_MS = 15.0, 10.0, 5.0, 60 * MINUTE
OUT_AT_MOST_MS = 12 * HOUR
REACH_MS = OUT_AT_MOST_MS + 2 * HANDLING_MS


class Reason(IntEnum):
    """Why a reading is left out; its name in lower case is what pages and files show."""

    GOOD = 0
    STALE = 1
    NO_VALUE = 2
    SENTINEL = 3
    OUT_OF_RANGE = 4
    LONE_85 = 5
    JUMP = 6
    PULLED_OUT = 7

    @property
    def text(self) -> str:
        return "" if self is Reason.GOOD else self.name.lower()


@dataclass(frozen=True, slots=True, eq=False)
class RawReadings:
    """One sensor's stored readings: three arrays of length n, ascending in time."""

    at: NDArray[np.int64]
    value: NDArray[np.float64]
    mark: NDArray[np.uint8]


Reasons = NDArray[np.uint8]
GOOD = int(Reason.GOOD)


def screen(depths: Sequence[RawReadings]) -> list[Reasons]:
    """Judge the readings of all depths of one probe in one place; one array of ``Reason`` codes per depth."""
    reasons = [_alone(depth) for depth in depths]
    if any((depth.mark & ArrivalMark.BY_HAND).any() for depth in depths):
        return (
            reasons  # a person reads once in a while and looks at what it says: no 85.0 of a sensor, no jump
        )
    out = _pulled_out(depths, reasons)
    for depth, found in zip(depths, reasons, strict=True):
        _mark_lone_85(depth, found)
        _mark_jumps(depth, found)
        if len(out):
            found[(found == GOOD) & np.isin(depth.at, out)] = Reason.PULLED_OUT
    return reasons


def _alone(depth: RawReadings) -> Reasons:
    """What a reading's own value and mark of arrival say."""
    found = np.zeros(len(depth.at), dtype=np.uint8)
    value, mark = depth.value, depth.mark
    if not len(value) or (value.min() >= SENSOR_LOW_C and value.max() <= SENSOR_HIGH_C and not mark.any()):
        return found  # every other fault shows as a value outside these or as a mark
    with np.errstate(invalid="ignore"):
        found[(value < SENSOR_LOW_C) | (value > SENSOR_HIGH_C)] = Reason.OUT_OF_RANGE
    found[(mark & ArrivalMark.OUT_OF_RANGE) != 0] = Reason.OUT_OF_RANGE
    found[np.isin(value, SENTINELS_C) | ((mark & ArrivalMark.SENTINEL) != 0)] = Reason.SENTINEL
    found[~np.isfinite(value)] = Reason.NO_VALUE
    found[(mark & ArrivalMark.STALE) != 0] = Reason.STALE
    return found


def _mark_lone_85(depth: RawReadings, found: Reasons) -> None:
    """An exact 85.0 that no neighbour within ``SUPPORT_MS`` comes near. Repeated or supported it stays: it may be fire."""
    if not (depth.value == POWER_ON_C).any():
        return
    usable = np.flatnonzero(found == GOOD)
    at, value = depth.at[usable], depth.value[usable]
    hits = np.flatnonzero(value == POWER_ON_C)
    if len(hits):
        supported = np.zeros(len(hits), dtype=bool)
        for step in (-1, 1):
            other = hits + step
            there = (other >= 0) & (other < len(usable))
            near = np.where(there, other, hits)
            supported |= (
                there
                & (np.abs(at[near] - at[hits]) <= SUPPORT_MS)
                & (np.abs(value[near] - POWER_ON_C) <= SUPPORT_K)
            )
        found[usable[hits[~supported]]] = Reason.LONE_85


def _mark_jumps(depth: RawReadings, found: Reasons) -> None:
    """One reading out and back: over ``SPIKE_K`` from two on each side that agree, none over an hour from the next."""
    usable = np.flatnonzero(found == GOOD)
    at, value = depth.at[usable], depth.value[usable]
    if len(usable) < 5 or np.abs(value[1:] - value[:-1]).max() <= SPIKE_K:
        return
    around = np.stack((value[:-4], value[1:-3], value[3:-1], value[4:]))
    low, high = around.min(axis=0), around.max(axis=0)
    middle = value[2:-2]
    close = np.diff(at) <= SPIKE_MS
    spike = (
        ((middle - high > SPIKE_K) | (low - middle > SPIKE_K))
        & (high - low <= STEADY_K)
        & close[:-3]
        & close[1:-2]
        & close[2:-1]
        & close[3:]
    )
    found[usable[2:-2][spike]] = Reason.JUMP


def _pulled_out(depths: Sequence[RawReadings], reasons: Sequence[Reasons]) -> NDArray[np.int64]:
    """Instants at which the whole probe lay in the air: all depths fell together to one cool value, and jumped back
    (or have not come back yet), for at most ``OUT_AT_MOST_MS``. Needs two depths that differed before."""
    if len(depths) < 2:
        return np.empty(0, dtype=np.int64)
    good = [found == GOOD for found in reasons]
    cool = [bool((depth.value[ok] <= AIR_HIGH_C).any()) for depth, ok in zip(depths, good, strict=True)]
    if sum(cool) < 2:  # so at no instant do two depths read as the air
        return np.empty(0, dtype=np.int64)
    pool_at = np.concatenate([depth.at[ok] for depth, ok in zip(depths, good, strict=True)])
    pool_c = np.concatenate([depth.value[ok] for depth, ok in zip(depths, good, strict=True)])
    if pool_c.max() - pool_c.min() < FALL_K:
        return np.empty(0, dtype=np.int64)
    order = np.argsort(pool_at, kind="stable")
    at, first, count = np.unique(pool_at[order], return_index=True, return_counts=True)
    low = np.minimum.reduceat(pool_c[order], first)
    high = np.maximum.reduceat(pool_c[order], first)
    several = count >= 2
    return _air_stretches(at[several], low[several], high[several])


def _air_stretches(
    at: NDArray[np.int64], low: NDArray[np.float64], high: NDArray[np.float64]
) -> NDArray[np.int64]:
    """``at`` with the lowest and the highest depth at each instant; gives the instants out of the pile."""
    airy = (high <= AIR_HIGH_C) & (high - low <= AIR_SPREAD_K)
    apart = np.diff(at) > HANDLING_MS
    begins = np.flatnonzero(airy & np.concatenate(([True], ~airy[:-1] | apart)))
    afters = np.flatnonzero(airy & np.concatenate((~airy[1:] | apart, [True]))) + 1
    found: list[NDArray[np.int64]] = []
    for begin, after in zip(begins.tolist(), afters.tolist(), strict=True):
        fell_from = _step(at, high, begin, -1, FALL_K)
        if fell_from is None or high[fell_from] - low[fell_from] < PILE_SPREAD_K:
            continue
        silent_next = after == len(at) or bool(apart[after - 1])
        back_at = after if silent_next else _step(at, high, after - 1, 1, RISE_K)
        if back_at is not None and at[after - 1] - at[begin] <= OUT_AT_MOST_MS:
            found.append(at[fell_from + 1 : back_at])
    return np.concatenate(found) if found else np.empty(0, dtype=np.int64)


def _step(at: NDArray[np.int64], high: NDArray[np.float64], edge: int, way: int, size_k: float) -> int | None:
    """The row one or two before (way -1) or after ``edge`` that is ``size_k`` hotter, close in time."""
    for other in (edge + way, edge + 2 * way):
        if (
            0 <= other < len(at)
            and abs(int(at[other] - at[edge])) <= HANDLING_MS
            and high[other] - high[edge] >= size_k
        ):
            return other
    return None
