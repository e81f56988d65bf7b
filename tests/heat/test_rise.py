"""A core that climbs faster than biology does at its heat is danger; one that warms up, or climbs back after a turn, not."""

from __future__ import annotations

import numpy as np
import pytest

from shared.heat.report import Risk
from shared.readings import Curve
from shared.times import HOUR, MINUTE
from tests.heat.asking import report
from tests.heat.piles import BUILT, facts


def climbing(
    from_c: float, slope_k_h: float, *, flat_h: float = 10, climb_h: float = 4, every_min: int = 10
) -> Curve:
    hours = np.arange(0, flat_h + climb_h + 1e-9, every_min / 60)
    celsius = from_c + slope_k_h * np.maximum(0.0, hours - flat_h)
    at = (BUILT + np.round(hours * HOUR)).astype(np.int64)
    return Curve(at, celsius + 0.05 * np.sin(np.arange(len(at))), np.zeros(len(at), dtype=np.uint8))


def risk(curve: Curve, turned_h: float | None = None) -> Risk:
    return report(curve, facts(turns=[] if turned_h is None else [round(turned_h * HOUR)])).risk


@pytest.mark.parametrize("every_min", [10, 30])
def test_a_fast_climb_after_hours_over_70_is_danger(every_min: int) -> None:
    found = risk(climbing(72.0, 0.6, every_min=every_min))
    assert found.level == "danger"
    assert any("faster than biology" in reason for reason in found.reasons)


@pytest.mark.parametrize(
    "curve",
    [climbing(72.0, 0.2), climbing(66.0, 2.0, climb_h=3), climbing(72.0, 0.6, flat_h=2, climb_h=3)],
    ids=["slow", "from below 70", "not long over 70"],
)
def test_what_biology_does_is_not(curve: Curve) -> None:
    found = risk(curve)
    assert not any("faster than biology" in reason for reason in found.reasons)


def test_a_turn_begins_the_hours_anew() -> None:
    assert not any(
        "faster than biology" in reason for reason in risk(climbing(71.0, 0.6), turned_h=9).reasons
    )


def test_a_large_pile_that_stays_hot_for_two_days_is_high() -> None:
    at = np.arange(0, 60 * HOUR, 30 * MINUTE, dtype=np.int64) + BUILT
    hot = Curve(at, np.full(len(at), 66.0), np.zeros(len(at), dtype=np.uint8))
    assert report(hot, facts(volume_l=9_000.0)).risk.level == "watch"
    large = report(hot, facts(volume_l=60_000.0)).risk
    assert large.level == "high"
    assert any("holds its heat" in reason for reason in large.reasons)
