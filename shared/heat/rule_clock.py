"""When time spent in stretches comes to what a rule asks, in whole milliseconds: one short is short."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.heat.spans import clipped, complement, intersection, spent, total
from shared.heat.view import Stretches
from shared.times import Millis


def without(stretches: Stretches, holes: Stretches) -> Stretches:
    """``stretches`` minus ``holes``."""
    if not len(stretches) or not len(holes):
        return stretches
    first, last = int(stretches[0, 0]), int(stretches[-1, 1])
    return intersection([stretches, complement(holes, first, last)])


def reached(stretches: Stretches, need_ms: int) -> Millis | None:
    """The instant at which the time spent in ``stretches`` comes to ``need_ms``."""
    sums = np.cumsum(stretches[:, 1] - stretches[:, 0])
    index = int(np.searchsorted(sums, need_ms))
    if index >= len(sums):
        return None
    return Millis(int(stretches[index, 1] - (sums[index] - need_ms)))


def reached_within(stretches: Stretches, need_ms: int, window_ms: int, start: int, end: int) -> Millis | None:
    """The first instant t from ``start + window_ms`` to ``end`` with ``need_ms`` of ``stretches`` in the
    ``window_ms`` before t."""
    if end < start + window_ms:
        return None
    at, held = _held_in_window(stretches, window_ms, start, end)
    enough = np.flatnonzero(held >= need_ms)
    if not len(enough):
        return None
    first = int(enough[0])
    if first == 0:
        return Millis(int(at[0]))
    return Millis(int(at[first - 1] + need_ms - held[first - 1]))  # between two edges it can only climb 1:1


def most_within(stretches: Stretches, window_ms: int, start: int, end: int) -> int:
    """The most time of ``stretches`` that any window of ``window_ms`` between ``start`` and ``end`` holds; of all of it
    where it is shorter than the window."""
    if end < start + window_ms:
        return total(clipped(stretches, start, end))
    return int(_held_in_window(stretches, window_ms, start, end)[1].max())


def _held_in_window(
    stretches: Stretches, window_ms: int, start: int, end: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Every window end at which the time held begins to grow or to shrink, and that time."""
    edges = clipped(stretches, start, end).ravel()
    corners = np.concatenate((edges, edges + window_ms, [start + window_ms, end]))
    at = np.unique(corners[(corners >= start + window_ms) & (corners <= end)])
    return at, spent(stretches, at) - spent(stretches, at - window_ms)


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """Pieces that count as one unbroken stretch; only the pieces count as time."""

    pieces: Stretches

    @property
    def start(self) -> int:
        return int(self.pieces[0, 0])

    @property
    def end(self) -> int:
        return int(self.pieces[-1, 1])

    @property
    def held_ms(self) -> int:
        return total(self.pieces)


class Runs:
    """``stretches`` parted into runs: ``broken[k]`` says whether the time between stretch k and k + 1 parts them."""

    def __init__(self, stretches: Stretches, broken: NDArray[np.bool_]) -> None:
        self._stretches = stretches
        self._first = (
            np.concatenate(([0], np.flatnonzero(broken) + 1)) if len(stretches) else np.empty(0, int)
        )
        lengths = stretches[:, 1] - stretches[:, 0]
        self.held_ms = np.add.reduceat(lengths, self._first) if len(stretches) else lengths

    def __len__(self) -> int:
        return len(self._first)

    def __getitem__(self, index: int) -> Run:
        last = len(self._stretches) if index + 1 == len(self) else int(self._first[index + 1])
        return Run(self._stretches[int(self._first[index]) : last])

    def holding(self, need_ms: int) -> Iterator[Run]:
        """The runs that hold at least so much, by time."""
        for index in np.flatnonzero(self.held_ms >= need_ms):
            yield self[int(index)]

    def longest(self) -> tuple[Run, int | None] | None:
        """The first of the longest runs, and when the next one starts."""
        if not len(self):
            return None
        index = int(self.held_ms.argmax())
        following = None if index + 1 == len(self) else self[index + 1].start
        return self[index], following
