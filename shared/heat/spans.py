"""Sums over stretches of time: int64 arrays of shape (n, 2), start and end in whole ms, ascending, apart, none empty."""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from shared.heat.view import Stretches

FOREVER = 1 << 46  # an instant later than any other
NOTHING: Stretches = np.empty((0, 2), dtype=np.int64)
NOTHING.setflags(write=False)


def union(many: Sequence[Stretches]) -> Stretches:
    """When any of them holds; what touches becomes one."""
    filled = [one for one in many if len(one)]
    if len(filled) <= 1:
        return filled[0] if filled else NOTHING
    pool = np.concatenate(filled)
    pool = pool[np.argsort(pool[:, 0], kind="stable")]
    reach = np.maximum.accumulate(pool[:, 1])
    fresh = np.concatenate(([True], pool[1:, 0] > reach[:-1]))
    return np.column_stack((pool[fresh, 0], reach[np.concatenate((fresh[1:], [True]))]))


def intersection(many: Sequence[Stretches]) -> Stretches:
    """When all of them hold. No sets at all hold never."""
    if not many or any(not len(one) for one in many):
        return NOTHING
    if len(many) == 1:
        return many[0]
    pool = np.concatenate(many)
    edges = np.concatenate((pool[:, 0] * 2 + 1, pool[:, 1] * 2))  # at one instant an end comes before a start
    order = np.argsort(edges, kind="stable")
    depth = np.cumsum(np.where(order < len(pool), 1, -1))
    at = edges[order] >> 1
    whole = np.flatnonzero((depth[:-1] == len(many)) & (at[1:] > at[:-1]))
    return np.column_stack((at[whole], at[whole + 1]))


def clipped(stretches: Stretches, start: int, end: int) -> Stretches:
    """The part within [start, end]."""
    low = int(stretches[:, 1].searchsorted(start, "right"))
    high = int(stretches[:, 0].searchsorted(end))
    return np.minimum(np.maximum(stretches[low:high], start), end) if low < high else NOTHING


def complement(stretches: Stretches, start: int, end: int) -> Stretches:
    """The part of [start, end] outside ``stretches``."""
    inside = clipped(stretches, start, end)
    edges = np.concatenate(([start], inside.ravel(), [end])).reshape(-1, 2)
    return edges[edges[:, 1] > edges[:, 0]]


def sorted_once(instants: NDArray[np.int64]) -> NDArray[np.int64]:
    """Ascending, each once; quick where the pieces are in order already."""
    ordered = np.sort(instants, kind="stable")
    return ordered[np.concatenate(([True], ordered[1:] != ordered[:-1]))] if len(ordered) else ordered


def total(stretches: Stretches) -> int:
    return int((stretches[:, 1] - stretches[:, 0]).sum())


def longest(stretches: Stretches) -> int:
    return int((stretches[:, 1] - stretches[:, 0]).max()) if len(stretches) else 0


def spent(stretches: Stretches, at: NDArray[np.int64]) -> NDArray[np.int64]:
    """How much of ``stretches`` lies before each instant of ``at``."""
    if not len(stretches):
        return np.zeros(len(at), dtype=np.int64)
    before = np.concatenate(([0], np.cumsum(stretches[:, 1] - stretches[:, 0])))
    index = np.searchsorted(stretches[:, 0], at, side="right")
    last = np.maximum(index - 1, 0)
    running = np.minimum(at, stretches[last, 1]) - stretches[last, 0]
    return np.where(index > 0, before[last] + running, 0)


class Spells:
    """The stretches of one threshold, kept up to date by replacing a window at a time.

    A replacement costs O(log n) and a shift of what lies after it; the total and the longest are always at hand.
    """

    __slots__ = ("_array", "ends", "longest_ms", "starts", "total_ms")

    def __init__(self, stretches: Stretches = NOTHING) -> None:
        self.starts = array("q", np.ascontiguousarray(stretches[:, 0]).tobytes())
        self.ends = array("q", np.ascontiguousarray(stretches[:, 1]).tobytes())
        self.total_ms, self.longest_ms = total(stretches), longest(stretches)
        self._array: Stretches | None = None

    def stretches(self) -> Stretches:
        if self._array is None:
            self._array = np.column_stack((_numbers(self.starts), _numbers(self.ends)))
            self._array.setflags(write=False)
        return self._array

    def within(self, start: int, end: int) -> list[tuple[int, int]]:
        low, high = bisect_right(self.ends, start), bisect_left(self.starts, end)
        return [(max(self.starts[k], start), min(self.ends[k], end)) for k in range(low, high)]

    def replace(self, start: int, end: int, pieces: Sequence[tuple[int, int]]) -> None:
        """Within [start, end] these pieces hold from now on, outside all stays."""
        low, high = bisect_left(self.ends, start), bisect_right(self.starts, end)
        if low == high and not pieces:
            return
        old = list(zip(self.starts[low:high], self.ends[low:high], strict=True))
        left = [(old[0][0], start)] if old and old[0][0] < start else []
        right = [(end, old[-1][1])] if old and old[-1][1] > end else []
        new: list[tuple[int, int]] = []
        for piece in (*left, *pieces, *right):
            if new and new[-1][1] == piece[0]:
                new[-1] = (new[-1][0], piece[1])
            else:
                new.append(piece)
        if new == old:
            return
        self.starts[low:high] = array("q", [piece[0] for piece in new])
        self.ends[low:high] = array("q", [piece[1] for piece in new])
        self._array = None
        before, after = [e - s for s, e in old], [e - s for s, e in new]
        self.total_ms += sum(after) - sum(before)
        best = max(after, default=0)
        if best >= self.longest_ms:
            self.longest_ms = best
        elif self.longest_ms in before:
            self.longest_ms = longest(self.stretches())


def _numbers(column: array[int]) -> NDArray[np.int64]:
    return np.array(column, dtype=np.int64)
