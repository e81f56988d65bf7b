"""Against other algorithms of general libraries: pandas resampling to seconds, scipy root finding on smooth curves."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

from shared.heat.report import THRESHOLDS_C
from shared.readings import Curve, SensorKey
from shared.times import DAY, HOUR, MINUTE
from tests.heat.asking import report
from tests.heat.piles import BUILT, curve, sensor

FINE_S = 5


def noisy(seed: int, days: int = 6) -> dict[SensorKey, Curve]:
    """Three depths that wander between 38 and 72 °C, with holes, and instants that are no round minutes."""
    rng = np.random.default_rng(seed)
    found = {}
    for depth in (15, 45, 75):
        at = np.cumsum(rng.integers(5 * MINUTE, 25 * MINUTE, 500)) // 1000 * 1000
        at = at[at < days * DAY]
        slow = 55 + 12 * np.sin(at / DAY * 2 + depth) + np.cumsum(rng.normal(0, 0.4, len(at))) * 0.3
        keep = rng.random(len(at)) > 0.05
        hole = (at > 2 * DAY + depth * HOUR / 10) & (at < 2 * DAY + 5 * HOUR)
        keep &= ~hole
        found[sensor(depth)] = Curve(BUILT + at[keep], slow[keep], np.zeros(int(keep.sum()), np.uint8))
    return found


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_hours_agree_with_pandas_resampled_to_five_seconds(seed: int) -> None:
    curves = noisy(seed)
    wide = pd.DataFrame(
        {
            key.depth: pd.Series(held.value, index=pd.to_datetime(held.at, unit="ms", utc=True))
            for key, held in curves.items()
        }
    )
    start, end = wide.index[0].floor("s"), wide.index[-1]
    fine_index = pd.date_range(start, end, freq=f"{FINE_S}s")
    fine = {}
    for depth, series in wide.items():
        some = series.dropna()
        full = (
            some.reindex(some.index.union(fine_index))
            .interpolate("time", limit_area="inside")
            .reindex(fine_index)
        )
        before = pd.Series(some.index, index=some.index).reindex(fine_index, method="ffill")
        after = pd.Series(some.index, index=some.index).reindex(fine_index, method="bfill")
        full[(after - before) > pd.Timedelta(hours=3)] = np.nan
        fine[str(depth)] = full
    table = pd.DataFrame(fine)
    found = report(curves)
    for threshold_c in THRESHOLDS_C:
        over = table >= threshold_c
        hottest = over.any(axis=1).sum() * FINE_S / 3600
        coldest = (over & table.notna()).all(axis=1).sum() * FINE_S / 3600
        edges = int(over.astype(int).diff().abs().sum().sum()) + 8
        room = edges * FINE_S / 3600  # the reference is good to one step at every crossing
        text = str(threshold_c)
        assert found.hottest.hours_above[text] == pytest.approx(hottest, abs=room)
        assert found.coldest.hours_above[text] == pytest.approx(coldest, abs=room)
        for one in found.sensors:
            by_depth = over[f"{one.depth_cm:g}"].sum() * FINE_S / 3600
            assert one.hours_above[text] == pytest.approx(by_depth, abs=room)


def test_hours_of_a_smooth_curve_are_those_between_its_true_crossings() -> None:
    """A sine sampled every 10 min; crossings by scipy.optimize.brentq. The chord errs by at most h^2 |f''| / (8 |f'|)."""
    period = 20 * HOUR

    def smooth(at: float) -> float:
        return 55 + 10 * float(np.sin(2 * np.pi * at / period + 0.3))

    at = range(0, 3 * DAY, 10 * MINUTE)
    found = report(curve((t, smooth(t)) for t in at))
    for threshold_c in (50.0, 55.0, 60.0):
        fine = np.arange(0, at[-1] + 1, MINUTE)
        sign = np.array([smooth(float(t)) >= threshold_c for t in fine.tolist()])
        roots = [
            brentq(lambda t: smooth(t) - threshold_c, float(fine[k]), float(fine[k + 1]))  # noqa: B023 - used at once
            for k in np.flatnonzero(sign[1:] != sign[:-1])
        ]
        edges = [0.0, *roots, float(at[-1])]
        wanted = sum(b - a for a, b in pairwise(edges) if smooth((a + b) / 2) > threshold_c) / HOUR
        w = 2 * np.pi / period
        steepest = 10 * w * np.cos(np.arcsin(abs(threshold_c - 55) / 10))
        error_h = (10 * MINUTE) ** 2 * 10 * w**2 / (8 * steepest) / HOUR * (len(roots) + 1)
        assert found.hottest.hours_above[f"{threshold_c:g}"] == pytest.approx(wanted, abs=error_h)
