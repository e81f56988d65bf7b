"""Few points that look like many."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from api.thinning import thin


def curve(count: int, seed: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    chance = np.random.default_rng(seed)
    return np.cumsum(chance.integers(1, 10_000, count)), np.cumsum(chance.normal(0, 1, count)).round(1)


@settings(max_examples=80)
@given(
    count=st.integers(0, 3_000),
    points=st.integers(4, 400),
    seed=st.integers(0, 2**32 - 1),
    share=st.sampled_from([0.0, 0.01, 0.5, 1.0]),
)
def test_at_most_so_many_points_keep_the_ends_and_the_extremes(
    count: int, points: int, seed: int, share: float
) -> None:
    at, celsius = curve(count, seed)
    suspect = np.random.default_rng(seed + 1).random(count) < share
    kept = thin(at, celsius, suspect, points)
    assert len(kept) <= points
    assert (np.diff(kept) > 0).all()
    if count <= points:
        assert len(kept) == count
    good = np.flatnonzero(~suspect)
    if len(good):
        shown = kept[~suspect[kept]]
        assert {good[0], good[-1]} <= set(shown.tolist()) or len(good) < 2
        assert celsius[shown].max() == celsius[good].max()
        assert celsius[shown].min() == celsius[good].min()


def test_a_lone_peak_among_a_hundred_thousand_is_kept() -> None:
    at = np.arange(100_000, dtype=np.int64) * 60_000
    celsius = np.full(100_000, 50.0)
    celsius[77_777] = 71.3
    kept = thin(at, celsius, np.zeros(100_000, dtype=bool), 50)
    assert len(kept) <= 50
    assert 77_777 in kept


def test_a_storm_of_faults_does_not_crowd_the_curve_out() -> None:
    at, celsius = curve(10_000, 3)
    suspect = np.arange(10_000) % 10 != 0
    kept = thin(at, celsius, suspect, 200)
    assert (~suspect[kept]).sum() >= 140
    assert suspect[kept].sum() >= 20


def test_the_shape_stays_within_a_tenth_of_its_range() -> None:
    at = np.arange(5_000, dtype=np.int64) * 600_000
    celsius = 55.0 + 10.0 * np.sin(at / at[-1] * 12.0)
    kept = thin(at, celsius, np.zeros(5_000, dtype=bool), 100)
    drawn = np.interp(at, at[kept], celsius[kept])
    assert np.abs(drawn - celsius).max() < 2.0
