"""Where the straight lines between readings are at or over a threshold, in whole milliseconds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from shared.heat.view import Stretches
from shared.times import HOUR

KNOWN = float("-inf")  # the threshold that every known instant reaches


def crossing_at(
    above_at: NDArray[np.int64],
    above_c: NDArray[np.float64],
    below_at: NDArray[np.int64],
    below_c: NDArray[np.float64],
    threshold_c: NDArray[np.float64],
) -> NDArray[np.int64]:
    """When the line from a reading at or over the threshold to one below it leaves the threshold (either may be first).

    Rounded to the nearest ms, but at least 1 ms from the reading below: a reading below always parts two spells.
    A pure function of the two readings, so every order of arrival gives the same.
    """
    length = below_at - above_at
    share = (above_c - threshold_c) / (above_c - below_c)
    steps = np.minimum(np.rint(np.abs(length) * share).astype(np.int64), np.abs(length) - 1)
    left_at: NDArray[np.int64] = above_at + np.sign(length) * steps
    return left_at


def stretches_over(
    thresholds_c: NDArray[np.float64],
    at: NDArray[np.int64],
    celsius: NDArray[np.float64],
    joined: NDArray[np.bool_],
) -> list[Stretches]:
    """For each threshold, when the line is at or over it (closed). Stretches of no length are left out.

    ``at`` (n,) ascending ms; ``celsius`` (n,); ``joined`` (n - 1,) tells where a line leads from one to the next.
    """
    if len(at) < 2:
        return [_none() for _ in thresholds_c]
    over = celsius >= thresholds_c[:, None]
    through = over[:, :-1] & over[:, 1:] & joined
    first, last = over.copy(), over
    first[:, 1:] &= ~through
    last[:, :-1] &= ~through
    lane, begin = np.divmod(np.flatnonzero(first), len(at))
    finish = np.flatnonzero(last) % len(at)
    starts, ends = at[begin], at[finish]
    rising = (begin > 0) & joined[begin - 1]
    falling = (finish < len(at) - 1) & joined[np.minimum(finish, len(joined) - 1)]
    for edges, corner, step, where in ((starts, begin, -1, rising), (ends, finish, 1, falling)):
        here = corner[where]
        edges[where] = crossing_at(
            at[here], celsius[here], at[here + step], celsius[here + step], thresholds_c[lane[where]]
        )
    some = ends > starts
    both = np.column_stack((starts[some], ends[some]))
    return np.split(both, np.searchsorted(lane[some], np.arange(1, len(thresholds_c))))


def few_stretches_over(
    threshold_c: float, at: Sequence[int], celsius: Sequence[float], joined: Sequence[bool]
) -> list[tuple[int, int]]:
    """What ``stretches_over`` gives for one threshold, quicker where the readings are few."""
    found: list[tuple[int, int]] = []
    begin, last = 0, len(at) - 1
    while begin <= last:
        if celsius[begin] < threshold_c:
            begin += 1
            continue
        finish = begin
        while finish < last and joined[finish] and celsius[finish + 1] >= threshold_c:
            finish += 1
        start, end = at[begin], at[finish]
        if begin > 0 and joined[begin - 1]:
            start -= _steps_to(threshold_c, celsius[begin], celsius[begin - 1], start - at[begin - 1])
        if finish < last and joined[finish]:
            end += _steps_to(threshold_c, celsius[finish], celsius[finish + 1], at[finish + 1] - end)
        if end > start:
            found.append((start, end))
        begin = finish + 1
    return found


def _steps_to(threshold_c: float, above_c: float, below_c: float, length: int) -> int:
    """``crossing_at`` of one line: ms from the reading at or over the threshold."""
    return min(round(length * ((above_c - threshold_c) / (above_c - below_c))), length - 1)


def hours(ms: int) -> float:
    return ms / HOUR


def _none() -> Stretches:
    return np.empty((0, 2), dtype=np.int64)
