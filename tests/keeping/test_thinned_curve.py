"""Thinning keeps the hours, spells, gaps and peaks of a line to the last digit."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from shared.heat.exposure import KNOWN, stretches_over
from shared.thinned_curve import kept
from shared.times import HOUR, MINUTE

THRESHOLDS = (40.0, 55.0, 60.0)
MAX_GAP = 180 * MINUTE

curves = st.lists(
    st.tuples(st.integers(1, 40 * MINUTE) | st.integers(1, 5 * HOUR), st.integers(35, 65).map(float) | st.floats(-20, 90)),
    min_size=1,
    max_size=80,
)  # fmt: skip


def stretches(
    at: NDArray[np.int64], celsius: NDArray[np.float64], cuts: NDArray[np.int64]
) -> list[list[list[int]]]:
    side = cuts.searchsorted(at, "right")
    joined = (np.diff(at) <= MAX_GAP) & (side[1:] == side[:-1])
    return [one.tolist() for one in stretches_over(np.array([KNOWN, *THRESHOLDS]), at, celsius, joined)]


@given(curves, st.lists(st.integers(0, 100 * HOUR), max_size=3), st.sampled_from([10 * MINUTE, HOUR]))
def test_the_stretches_over_every_threshold_and_the_peaks_are_those_of_the_whole_line(
    steps: list[tuple[int, float]], turns: list[int], bucket_ms: int
) -> None:
    at = np.cumsum([step for step, _ in steps], dtype=np.int64)
    celsius = np.array([c for _, c in steps])
    cuts = np.array(sorted(turns), dtype=np.int64)
    stay = kept(at, celsius, bucket_ms, thresholds=THRESHOLDS, cuts=cuts)
    assert stretches(at[stay], celsius[stay], cuts) == stretches(at, celsius, cuts)
    for side in np.unique(cuts.searchsorted(at, "right")):
        whole, some = (
            line[1][cuts.searchsorted(line[0], "right") == side]
            for line in ((at, celsius), (at[stay], celsius[stay]))
        )
        assert (some.max(), some.min()) == (whole.max(), whole.min())
    again = kept(at[stay], celsius[stay], bucket_ms, thresholds=THRESHOLDS, cuts=cuts)
    assert again.all()


def test_a_slow_curve_keeps_few_rows_and_an_empty_one_none() -> None:
    at = np.arange(0, 48 * HOUR, MINUTE, dtype=np.int64)
    stay = kept(at, 50.0 + at / at[-1], HOUR)
    assert stay.sum() == 2 * 48
    assert len(kept(at[:0], np.empty(0), HOUR)) == 0
