"""Which readings of a curve stay when it is thinned to one bucket of time: a pure function of the curve.

Of each bucket the first, the lowest, the highest and the last stay, as in M4 (Jugel, Jerzak, Hackenbroich, Markl: "M4: A
Visualization-Oriented Time Series Data Aggregation", PVLDB 7(10), 2014), and the two readings on either side of every
crossing of a threshold and of every cut (a turn, the edge of a placement). So the time over each threshold, the spells,
the gaps and the peaks of the thinned line are those of the whole one, to the last digit, while a bucket is no longer
than the gap over which lines are drawn. Sums of everything under the line (lethality) are not.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def kept(
    at: NDArray[np.int64],
    value: NDArray[np.float64],
    bucket_ms: int,
    *,
    thresholds: Sequence[float] = (),
    cuts: NDArray[np.int64] | None = None,
) -> NDArray[np.bool_]:
    """A mask of the length of ``at`` (ascending, ms). Thinning what was thinned changes nothing.

    ``cuts``: ascending instants; what is measured at one or later is on its far side.
    """
    stay = np.zeros(len(at), dtype=np.bool_)
    if not len(at):
        return stay
    side = np.zeros(len(at), dtype=np.int64) if cuts is None else cuts.searchsorted(at, "right")
    bucket = at // bucket_ms
    starts = np.flatnonzero(np.concatenate(([True], (np.diff(bucket) != 0) | (np.diff(side) != 0))))
    sizes = np.diff(np.append(starts, len(at)))
    owner = np.repeat(np.arange(len(starts)), sizes)
    stay[starts] = stay[starts + sizes - 1] = True
    for extreme in (np.minimum, np.maximum):
        hits = np.flatnonzero(value == np.repeat(extreme.reduceat(value, starts), sizes))
        _, first = np.unique(owner[hits], return_index=True)
        stay[hits[first]] = True
    for threshold in thresholds:
        before = np.flatnonzero(np.diff(value >= threshold))
        stay[before] = stay[before + 1] = True
    return stay
