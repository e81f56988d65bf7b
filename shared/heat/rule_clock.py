"""Sums over stretches of time: int64 arrays of shape (n, 2), start and end in ms, ascending, not overlapping.

Everything here is whole milliseconds, so that "one millisecond short" is short.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.heat.view import Stretches
from shared.times import Millis


def clipped(stretches: Stretches, start: int, end: int) -> Stretches:
    """The part between ``start`` and ``end``; a stretch that only touches stays as an instant of length 0."""
    inside = stretches[(stretches[:, 1] >= start) & (stretches[:, 0] <= end)]
    return np.clip(inside, start, end)


def without(stretches: Stretches, holes: Stretches) -> Stretches:
    """``stretches`` minus ``holes``; a hole of length 0 takes nothing away."""
    left: list[tuple[int, int]] = []
    real = holes[holes[:, 1] > holes[:, 0]]
    for start, end in stretches.tolist():
        at = start
        for hole_start, hole_end in clipped(real, start, end).tolist():
            if hole_end == hole_start:
                continue
            if hole_start > at:
                left.append((at, hole_start))
            at = max(at, hole_end)
        if end > at or start == end:
            left.append((at, end))
    return np.array(left, dtype=np.int64).reshape(-1, 2)


def total(stretches: Stretches) -> int:
    return int((stretches[:, 1] - stretches[:, 0]).sum())


def spent(stretches: Stretches, at: NDArray[np.int64]) -> NDArray[np.int64]:
    """How much of ``stretches`` lies before each instant of ``at``."""
    lengths = stretches[:, 1] - stretches[:, 0]
    before = np.concatenate(([0], np.cumsum(lengths)))
    index = np.searchsorted(stretches[:, 0], at, side="right")
    last = np.maximum(index - 1, 0)
    if not len(stretches):
        return np.zeros(len(at), dtype=np.int64)
    running = np.minimum(at - stretches[last, 0], lengths[last])
    return np.where(index > 0, before[last] + running, 0)


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
    edges = clipped(stretches, start, end).ravel()
    turns_of_slope = np.concatenate((edges, edges + window_ms, [start + window_ms, end]))
    at = np.unique(turns_of_slope[(turns_of_slope >= start + window_ms) & (turns_of_slope <= end)])
    held = spent(stretches, at) - spent(stretches, at - window_ms)
    enough = np.flatnonzero(held >= need_ms)
    if not len(enough):
        return None
    first = int(enough[0])
    if first == 0:
        return Millis(int(at[0]))
    return Millis(int(at[first - 1] + need_ms - held[first - 1]))  # between two edges it can only climb 1:1


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


def runs(stretches: Stretches, bridged: Callable[[int, int], bool]) -> list[Run]:
    """Split where the time between two stretches breaks them; ``bridged(end, next_start)`` says where it does not."""
    if not len(stretches):
        return []
    breaks = [
        index + 1
        for index, (end, start) in enumerate(zip(stretches[:-1, 1], stretches[1:, 0], strict=True))
        if not bridged(int(end), int(start))
    ]
    return [Run(pieces) for pieces in np.split(stretches, breaks)]
