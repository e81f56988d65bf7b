"""The highest of values in time: by the stretches between cuts, so that a cycle's peak needs no look at every reading."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from numpy.typing import NDArray

Peak = tuple[float, int]
"""°C and the first instant of it."""

Readings = tuple[NDArray[np.int64], NDArray[np.float64]]
"""Instants (ms) and °C, of one length."""


def higher(one: Peak | None, other: Peak | None) -> Peak | None:
    """The higher of two, the earlier when they are alike."""
    if one is None or other is None:
        return one or other
    return max(one, other, key=lambda peak: (peak[0], -peak[1]))


def highest(at: NDArray[np.int64], celsius: NDArray[np.float64]) -> Peak | None:
    if not len(at):
        return None
    row = int(celsius.argmax())
    return float(celsius[row]), int(at[row])


class Peaks:
    """One peak for each side of the cuts (a reading at a cut belongs to the later side)."""

    def __init__(self, cuts: NDArray[np.int64], good: Callable[[int, int], Readings]) -> None:
        """``good(after, until)`` gives the good readings within (after, until]."""
        self._edges = [int(at) for at in (np.iinfo(np.int64).min + 1, *cuts, np.iinfo(np.int64).max)]
        self._cuts, self._good = cuts, good
        self._by_side: dict[int, Peak] = {}
        self._highest: Peak | None = None  # of all sides

    def renew(self, at: NDArray[np.int64], celsius: NDArray[np.float64], start: int, end: int) -> None:
        """The good readings within [start, end] are these now."""
        first, last = (int(self._cuts.searchsorted(edge, "right")) for edge in (start, end))
        sides = self._cuts.searchsorted(at, "right") if first != last else None
        for side in range(first, last + 1):
            mine = slice(None) if sides is None else sides == side
            best, held = highest(at[mine], celsius[mine]), self._by_side.get(side)
            if best is not None and higher(held, best) == best:
                self._by_side[side] = best
            elif held is not None and start <= held[1] <= end:
                self._keep(side, highest(*self._good(self._edges[side] - 1, self._edges[side + 1] - 1)))
        self._highest = _highest_of(self._by_side.values())

    def _keep(self, side: int, peak: Peak | None) -> None:
        if peak is None:
            del self._by_side[side]
        else:
            self._by_side[side] = peak

    def whole(self) -> Peak | None:
        return self._highest

    def within(self, after: int, until: int, newest: int) -> Peak | None:
        """Within (after, until]; ``newest`` is the instant of the last reading of all."""
        best: Peak | None = None
        for side, peak in self._by_side.items():
            start, end = self._edges[side], self._edges[side + 1] - 1
            if start > until or end <= after:
                continue
            if start > after and min(end, newest) <= until:
                best = higher(best, peak)
            else:
                best = higher(best, highest(*self._good(max(after, start - 1), min(until, end))))
        return best


def _highest_of(peaks: Iterable[Peak]) -> Peak | None:
    best: Peak | None = None
    for peak in peaks:
        best = higher(best, peak)
    return best
