"""The highest that the coldest of a zone's sensors came to."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from shared.heat.exposure import KNOWN
from shared.heat.peaks import Peak, higher, highest
from shared.heat.spans import clipped, sorted_once
from shared.heat.view import Stretches
from shared.heat.zones import ZoneLines


def coldest_peak(zone: ZoneLines, start: int, end: int, *, edges: bool = True) -> Peak | None:
    """The highest that the lowest of the asked sensors came to within [start, end], where all of them are known.

    Between readings the lowest of straight lines can peak where two of them cross; that is looked for too.
    ``edges`` False leaves out the pieces between ``start`` or ``end`` and the reading next to it.
    """
    grid = _grid(zone, start, end, edges=edges)
    if len(grid) < 2:
        return None
    lefts, rights = [], []
    sure = np.ones(len(grid) - 1, dtype=bool)
    for line, asked in zone.members:
        needed = _covers(asked, grid)
        sure &= _covers(line.spells[KNOWN].stretches(), grid) | ~needed
        value = line.values_at(grid)
        lefts.append(np.where(needed, value[:-1], np.inf))
        rights.append(np.where(needed, value[1:], np.inf))
    for span in zone.silent:
        sure &= ~_covers(span, grid)
    if not lefts:
        return None
    left, right = np.stack(lefts), np.stack(rights)
    low_left, low_right = left.min(axis=0), right.min(axis=0)
    cells = np.flatnonzero(sure & np.isfinite(low_left))
    best = higher(highest(grid[cells], low_left[cells]), highest(grid[cells + 1], low_right[cells]))
    if best is not None:
        bound = np.maximum(left[:, cells], right[:, cells]).min(axis=0)
        for cell in cells[bound > best[0]].tolist():
            inner = _between(left[:, cell], right[:, cell], int(grid[cell]), int(grid[cell + 1]))
            best = higher(best, inner)
    return best


def _grid(zone: ZoneLines, start: int, end: int, *, edges: bool) -> NDArray[np.int64]:
    """Instants between which every line is straight and asked throughout or not at all."""
    spans = [
        clipped(span, start, end).ravel() for span in (*(asked for _, asked in zone.members), *zone.silent)
    ]
    readings = [line.good(start - 1, end)[0] for line in zone.lines]
    grid = sorted_once(np.concatenate([*spans, *readings])) if spans else np.empty(0, dtype=np.int64)
    if edges and len(grid):
        return sorted_once(np.concatenate((grid, np.array([start, end], dtype=np.int64))))
    return grid


def _covers(stretches: Stretches, grid: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which cells of the grid lie wholly within one stretch."""
    if not len(stretches):
        return np.zeros(len(grid) - 1, dtype=bool)
    place = stretches[:, 0].searchsorted(grid[:-1], "right") - 1
    covered: NDArray[np.bool_] = (place >= 0) & (grid[1:] <= stretches[np.maximum(place, 0), 1])
    return covered


def _between(left: NDArray[np.float64], right: NDArray[np.float64], start: int, end: int) -> Peak | None:
    """Where two of the lines that are straight from ``start`` to ``end`` cross: the highest of the lowest there."""
    best: Peak | None = None
    asked = np.flatnonzero(np.isfinite(left))
    for one, other in combinations(asked.tolist(), 2):
        before, after = left[one] - left[other], right[one] - right[other]
        if before * after < 0:
            share = before / (before - after)
            lowest = float((left[asked] + (right[asked] - left[asked]) * share).min())
            best = higher(best, (lowest, start + round((end - start) * float(share))))
    return best
