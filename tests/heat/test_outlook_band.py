"""The band around the outlook: what it promises in the long run, what teaches it, and when it is too wide to plan by."""

from __future__ import annotations

import numpy as np
import pytest

from shared.heat.crossings import crossings_of, spoken
from shared.heat.outlook_band import MISS, OTHER_EDGE, Edges, edges_around, reach
from shared.heat.outlook_learnt import HORIZONS_H, VIEWS, Learnt, said_of
from shared.times import HOUR, Millis
from tests.heat.asking import report
from tests.heat.test_outlook import cooling, heard


@pytest.mark.parametrize("number", range(len(HORIZONS_H)))
@pytest.mark.parametrize("scale", [0.3, 3.0])
def test_in_the_long_run_one_in_ten_is_missed_on_each_side_whatever_the_errors(
    number: int, scale: float
) -> None:
    """The promise of Gibbs and Candes 2021 (their proposition 4.1), for both edges."""
    below, above = missed(number, np.random.default_rng(7).standard_normal(6000) * scale)
    assert below == pytest.approx(MISS[number], abs=0.015)
    assert above == pytest.approx(MISS[number], abs=0.015)


@pytest.mark.parametrize("number", range(len(HORIZONS_H)))
def test_about_eight_of_ten_hold_even_where_all_errors_lie_on_one_side(number: int) -> None:
    below, above = missed(number, np.abs(np.random.default_rng(7).standard_normal(6000)))
    assert below == 0.0
    assert above == pytest.approx((1.0 + OTHER_EDGE) * MISS[number], abs=0.015)
    assert 1.0 - above > 0.79


def missed(number: int, errors: np.ndarray) -> tuple[float, float]:
    """The share of truths under and over a band around 50 °C that learns from each before the next."""
    edges, below, above = Edges(number), 0, 0
    shares = np.eye(len(HORIZONS_H))[[number]]
    at = np.array([50.0]), np.array([1.0]), np.array([1.0])
    for truth in (50.0 + errors).tolist():
        low, high = (float(one[0]) for one in edges_around([edges] * 4, shares, *at))
        edges = edges.after(truth, low, high)
        below, above = below + (truth < low), above + (truth > high)
    return below / len(errors), above / len(errors)


def test_a_miss_opens_the_band_on_both_sides_and_most_on_its_own_and_hits_close_it() -> None:
    missed_below = Edges(0).after(40.0, 45.0, 55.0)
    assert missed_below.below > missed_below.above > 1.0
    held = Edges(0).after(50.0, 45.0, 55.0)
    assert held.below == held.above
    assert 0.9 < held.below < 1.0


def test_what_nobody_heard_teaches_the_band_nothing() -> None:
    for aloud in (False, True):
        every = [Learnt(number) for number in range(len(HORIZONS_H))]
        learnt, before = every[2], every[2].edges
        learnt.learn(said_of(every, 3, [(60.0,) * VIEWS] * len(every), aloud=aloud)[2], 40.0)
        assert (learnt.edges != before) is aloud
        assert (sum(learnt.mixed) > 0) is aloud
        assert sum(learnt.counts) > 0, "whom to believe is learnt all the same"


def test_a_hot_core_has_little_room_above_and_a_cool_one_may_take_off() -> None:
    cool, warm, hot = range(3)
    below, above = reach(np.array([20.0, 58.0, 70.0]), np.full(3, 2.0), np.full(3, 2.0))
    assert (above[:, hot] < above[:, cool]).all()
    assert (below[:, cool] < below[:, warm]).all()


def test_it_says_from_when_on_it_is_too_wide_to_plan_by_and_only_then() -> None:
    wandering = report(heard(lambda at_h: 55.0 + 9.0 * np.sin(at_h / 11.0) + 6.0 * np.sin(at_h / 4.3), 220))
    wide = [(one.at - wandering.as_of) / HOUR for one in wandering.outlook if one.high - one.low > 10.5]
    assert wide
    assert "Too wide to plan a turn by from" in wandering.outlook_note
    hours = float(wandering.outlook_note.split(" from ")[1].split(" h ")[0])
    assert hours <= min(wide) + 1
    steady = report(heard(cooling, 220))
    assert all(one.high - one.low < 10.0 for one in steady.outlook)
    assert "Too wide" not in steady.outlook_note


@pytest.mark.parametrize(
    ("per_hour", "words"), [(0.25, "within about a day;"), (0.12, "within about two days;")]
)
def test_a_crossing_that_no_hour_can_be_named_for_is_told_by_the_day(per_hour: float, words: str) -> None:
    line = [60.0 - per_hour * hour for hour in range(49)]
    now = Millis(20_000 * 24 * HOUR)
    found = crossings_of(now, line, [one - 4.0 for one in line], [one + 9.0 for one in line], now)
    assert found.crossings == []
    assert f"Fall below 55 °C {words}" in spoken(found)
