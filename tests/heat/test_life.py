"""Cycles, phases and what was never hot. Limits are common practice; the mixing model's figures are arithmetic on it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shared.heat.never_hot import layer_shares, left_over
from shared.heat.report import HeatReport
from shared.times import DAY, HOUR, MINUTE, Millis
from tests.heat.asking import CATALOGUE, report
from tests.heat.piles import BUILT, curve, facts, placed, sensor, steady


def lived(*pieces: tuple[float, float], turns: tuple[float, ...] = (), **asked: object) -> HeatReport:
    """Constant pieces of (hours, °C), hourly, and turns by the hour."""
    rows: dict[int, float] = {}
    start = 0.0
    for hours, celsius in pieces:
        rows.update(dict(steady(hours, celsius, start_h=start)))
        start += hours
    pile = facts(turns=[round(at * HOUR) for at in turns])
    return report(curve(rows.items()), pile, **asked)  # type: ignore[arg-type]  # keywords of report


def test_cycles_run_from_the_build_over_every_turn_to_now() -> None:
    found = lived((100, 58.0), (50, 61.0), turns=(80, 120))
    assert [(c.from_ - BUILT, c.to - BUILT) for c in found.cycles] == [
        (0, 80 * HOUR), (80 * HOUR, 120 * HOUR), (120 * HOUR, 150 * HOUR),
    ]  # fmt: skip
    assert [c.counts for c in found.cycles] == [True, False, None]
    assert [c.peak_c for c in found.cycles] == [58, 61, 61]
    assert [c.hours_above_55 for c in found.cycles] == [80, 39, 29]
    assert found.turn.counted == 1
    assert "too early" in found.cycles[1].why


def test_a_turn_counts_at_72_hours_or_when_the_table_had_called_for_it() -> None:
    assert CATALOGUE.default_guide.counts_after_h == 72
    assert lived((100, 58.0), turns=(72,)).cycles[0].counts is True
    assert lived((100, 58.0), turns=(71,)).cycles[0].counts is False
    assert lived((100, 66.0), turns=(24,)).cycles[0].counts is True
    assert lived((100, 66.0), turns=(23,)).cycles[0].counts is False


def test_a_cycle_of_which_nothing_is_known_has_no_figures() -> None:
    found = report(curve(steady(10, 58.0)), facts(turns=[20 * HOUR, 30 * HOUR]), at=40 * HOUR)
    assert [c.hours_above_55 for c in found.cycles] == [10, None, None]
    assert [c.load is None for c in found.cycles] == [False, True, True]
    assert found.cycles[1].counts is False
    assert "nothing is known" in found.cycles[1].why


def test_turns_before_the_build_and_after_now_end_no_cycle() -> None:
    found = lived((50, 58.0), turns=(-5, 0, 20, 90), at=50 * HOUR)
    assert len(found.cycles) == 2
    assert [t.at - BUILT for t in found.turns] == [-5 * HOUR, 0, 20 * HOUR]


@pytest.mark.parametrize(
    ("pieces", "turns", "at_h", "phase"),
    [
        (((10, 30.0),), (), 10, "heating"),
        (((10, 30.0), (10, 50.0)), (), 20, "hot"),
        (((10, 60.0), (10, 40.0)), (), 20, "cooling"),
        (((10, 60.0), (200, 40.0)), (), 210, "curing"),
        (((90, 60.0), (40, 40.0)), (90.5,), 130, "heating"),
        (((90, 60.0), (60, 40.0)), (90.5,), 150, "curing"),
        (((90, 60.0), (10, 35.0), (10, 60.0), (9, 40.0)), (90.5,), 119, "cooling"),
        (((10, 60.0),), (), 14, "unknown"),
        ((), (), 5, "unknown"),
    ],
)  # fmt: skip
def test_the_phase_follows_the_hottest_core_reading(
    pieces: tuple[tuple[float, float], ...], turns: tuple[float, ...], at_h: float, phase: str
) -> None:
    assert lived(*pieces, turns=turns, at=round(at_h * HOUR)).phase == phase


def test_a_core_near_the_air_for_a_day_is_curing() -> None:
    core = [*steady(10, 60.0), *[(at, c) for at, c in steady(30, 28.0, start_h=10) if at > 10 * HOUR]]
    curves = {sensor(45): curve(core), sensor(5, "P-02"): curve(steady(40, 20.0))}
    found = report(curves, facts([placed(), placed("P-02", zone="ambient")]))
    assert found.phase == "curing"
    assert report({sensor(45): curve(core)}).phase == "cooling"


def test_a_finished_pile_says_so_and_wants_no_turn() -> None:
    pile = facts(finished_at=Millis(BUILT + 90 * HOUR))
    found = report(curve(steady(100, 66.0)), pile)
    assert (found.phase, found.turn.state, found.turn.due_at) == ("finished", "none", None)
    assert found.cycles[-1].to == BUILT + 90 * HOUR
    before = report(curve(steady(100, 66.0)), pile, at=80 * HOUR)
    assert before.phase == "hot"


@pytest.mark.parametrize(
    ("hot", "times", "left"),
    [(0.5, 6, 0.0156), (0.8, 3, 0.008), (0.3, 4, 0.240), (0.6, 6, 1 - 0.99590), (0.384, 6, 1 - 0.9454)],
)
def test_with_whole_mixing_the_share_left_is_the_cold_share_to_the_power_of_the_cycles(
    hot: float, times: int, left: float
) -> None:
    got = left_over([hot, 1 - hot], [[True, False]] * times, 1.0)
    assert got == pytest.approx(left, abs=1.1e-4)  # as many digits as the sources give


def test_with_half_mixing_more_is_left_and_without_any_the_cold_part_stays() -> None:
    """0.99590 / 0.97375 / 0.6 for m = 1 / 0.7 / 0: zones 0.4, 0.4, 0.2 of which the last two are hot, six cycles."""
    shares, met = [0.4, 0.4, 0.2], [[False, True, True]] * 6
    assert 1 - left_over(shares, met, 1.0) == pytest.approx(0.99590, abs=1e-5)
    assert 1 - left_over(shares, met, 0.7) == pytest.approx(0.97375, abs=1e-5)
    assert 1 - left_over(shares, met, 0.0) == pytest.approx(0.6)


def test_the_deepest_sensor_of_a_small_ball_speaks_for_little_of_it() -> None:
    shares = layer_shares([10, 30, 50], 64)
    assert sum(shares) == pytest.approx(1)
    assert shares == pytest.approx([1 - (44 / 64) ** 3, (44 / 64) ** 3 - (24 / 64) ** 3, (24 / 64) ** 3])
    assert layer_shares([10, 90], 64)[1] == pytest.approx((14 / 64) ** 3)


def test_what_was_never_hot_is_a_range_with_its_assumption() -> None:
    plain = lived((240, 58.0), turns=(80, 160))
    assert plain.never_hot_share is not None
    assert tuple(plain.never_hot_share) == pytest.approx((0.2**3, 0.7**3))
    assert "estimate" in plain.never_hot_note
    caged = replace(facts(turns=[80 * HOUR, 160 * HOUR]), pile=replace(facts().pile, volume_l=1100.0))
    curves = {sensor(10): curve(steady(240, 48.0)), sensor(50): curve(steady(240, 58.0))}
    found = report(curves, caged)
    assert found.never_hot_share is not None
    low, high = found.never_hot_share
    assert 0 < low < high < 1
    assert "ball" in found.never_hot_note
    assert report({}, at=DAY).never_hot_share is None


def test_whoever_is_told_to_open_a_hot_pile_is_told_how_not_to_be_hurt() -> None:
    due = lived((80, 58.0))
    assert due.turn.state == "due"
    assert any("upwind" in line for line in due.cautions)
    assert any("Local codes" in line for line in due.cautions)
    assert lived((10, 40.0)).cautions == []


def test_the_report_as_json_keeps_to_the_contract() -> None:
    text = lived((80, 58.0), turns=(10,), rules=["us-503-pfrp-windrow"]).model_dump(mode="json")
    assert set(text["hottest"]) == {"now_c", "peak_c", "peak_at", "hours_above", "longest_spell_hours"}
    assert set(text["hottest"]["hours_above"]) == {"40", "45", "50", "55", "60", "65", "70"}
    assert text["as_of"].endswith("Z")
    assert {"from", "to", "hours_above_55", "peak_c", "load", "counts"} <= set(text["cycles"][0])
    assert text["rules"][0]["id"] == "us-503-pfrp-windrow"
    assert text["max_gap_minutes"] == 180


def test_ten_minutes_or_an_hour_between_readings_give_the_same_hours_of_straight_lines() -> None:
    fine = report(curve((at, 40 + 20 * at / (10 * HOUR)) for at in range(0, 10 * HOUR + 1, 10 * MINUTE)))
    coarse = report(curve((at, 40 + 20 * at / (10 * HOUR)) for at in range(0, 10 * HOUR + 1, HOUR)))
    assert fine.hottest.hours_above == coarse.hottest.hours_above
