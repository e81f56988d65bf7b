"""A curve of many readings as one of few that looks the same."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from tsdownsample import MinMaxLTTBDownsampler

SUSPECT_SHARE = 4  # at most a quarter of the points goes to readings that the sums leave out


def thin(
    at: NDArray[np.int64], celsius: NDArray[np.float64], suspect: NDArray[np.bool_], points: int
) -> NDArray[np.int64]:
    """Indexes of at most ``points`` readings (at least 4), ascending.

    ``at`` (ms, ascending), ``celsius`` and ``suspect`` have one length. The good readings keep their first, last,
    highest and lowest (the first of equals); of the suspect ones an even choice is kept, so that a storm of faults
    cannot crowd the curve out. MinMaxLTTB: Van Der Donckt et al., "MinMaxLTTB: Leveraging MinMax-Preselection to Scale
    LTTB", IEEE VIS 2023.
    """
    if len(at) <= points:
        return np.arange(len(at), dtype=np.int64)
    bad = np.flatnonzero(suspect)
    good = np.flatnonzero(~suspect)
    share = points // SUSPECT_SHARE if points >= 8 else 0
    room = points - min(len(good), points - share)
    bad = _even(bad, room)
    good = _shape(good, at, celsius, points - len(bad))
    return np.sort(np.concatenate((good, bad))).astype(np.int64)


def _even(index: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    if len(index) <= count:
        return index
    return index[np.linspace(0, len(index) - 1, count).round().astype(np.int64)] if count else index[:0]


def _shape(
    index: NDArray[np.int64], at: NDArray[np.int64], celsius: NDArray[np.float64], count: int
) -> NDArray[np.int64]:
    if len(index) <= count:
        return index
    values = np.ascontiguousarray(celsius[index])
    marks = {0, len(index) - 1, int(values.argmax()), int(values.argmin())}
    fill = count - len(marks)
    if fill >= 3:  # the library's least is 3
        times = np.ascontiguousarray(at[index])
        downsampler = MinMaxLTTBDownsampler()  # type: ignore[no-untyped-call]  # it publishes no annotations
        marks.update(downsampler.downsample(times, values, n_out=fill).tolist())
    return index[np.array(sorted(marks), dtype=np.int64)]
