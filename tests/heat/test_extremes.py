"""Hottest = any core sensor, coldest = every placed one known; checked by hand-made piles and by dense sampling."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from shared.heat.engine import PileHeat
from shared.heat.facts import LeftOut, PileFacts
from shared.readings import Curve, SensorKey
from shared.times import HOUR, MINUTE, Millis, Span
from tests.heat.asking import report
from tests.heat.piles import BUILT, GAP, curve, every, facts, placed, sensor, steady


def two(core_h: float = 10, other_h: float = 10) -> dict[SensorKey, Curve]:
    return {sensor(45): curve(steady(core_h, 62.0)), sensor(15): curve(steady(other_h, 57.0))}


def test_hottest_is_any_and_coldest_is_all() -> None:
    found = report(two())
    assert (found.hottest.hours_above["60"], found.coldest.hours_above["60"]) == (10, 0)
    assert (found.hottest.hours_above["55"], found.coldest.hours_above["55"]) == (10, 10)
    assert (found.hottest.now_c, found.coldest.now_c) == (62, 57)
    assert (found.hottest.peak_c, found.coldest.peak_c) == (62, 57)


def test_two_sensors_take_turns_in_being_hot_without_a_break_of_the_hottest() -> None:
    one, other = every(HOUR, 60, 60, 50, 50), every(HOUR, 50, 60, 60, 60)
    found = report({sensor(15): one, sensor(45): other})
    assert found.hottest.longest_spell_hours["55"] == 3
    assert found.coldest.hours_above["55"] == pytest.approx(1.0)  # from 0.5 h to 1.5 h


def test_a_silent_sensor_gives_the_coldest_no_credit_from_its_last_word_on() -> None:
    found = report(two(other_h=4))
    assert (found.hottest.hours_above["55"], found.coldest.hours_above["55"]) == (10, 4)
    assert found.coldest.now_c is None


def test_a_placed_probe_that_never_spoke_leaves_the_coldest_unknown() -> None:
    found = report(two(), facts([placed(), placed("P-09", position="back")]))
    assert found.coldest.hours_above["55"] is None
    assert found.coldest.now_c is None
    quiet = found.sensors[-1]
    assert (quiet.probe, quiet.readings, quiet.hours_above["55"]) == ("P-09", 0, None)


def test_a_probe_placed_later_is_asked_from_then_on() -> None:
    curves = two() | {sensor(30, "P-02"): curve(steady(4, 50.0, start_h=6))}
    pile = facts([placed(), placed("P-02", 6 * HOUR)])
    found = report(curves, pile)
    assert found.coldest.hours_above["55"] == 6


def test_a_probe_taken_out_is_not_asked_any_more() -> None:
    curves = two() | {sensor(30, "P-02"): curve(steady(5, 50.0))}
    pile = facts([placed(), placed("P-02", 0, 6 * HOUR)])
    assert report(curves, pile).coldest.hours_above["55"] == 4


def test_a_depth_that_died_with_the_first_placement_is_still_missed_in_the_second() -> None:
    curves = two(other_h=4)
    pile = facts([placed(end=5 * HOUR), placed(start=5 * HOUR)])
    assert report(curves, pile).coldest.hours_above["55"] == 4


def left_out(pile: PileFacts, start: int, depth: str = "15") -> PileFacts:
    gone = LeftOut("P-01", depth, "cable burnt through", Span(Millis(BUILT + start)))
    return replace(pile, left_out=(gone,))


def test_a_dead_sensor_is_left_out_by_name_and_reason_only_for_the_time_stated() -> None:
    found = report(two(other_h=4), left_out(facts(), 4 * HOUR))
    assert found.coldest.hours_above["60"] == 6
    assert found.coldest.hours_above["55"] == 10
    assert found.coldest.now_c == 62
    assert [one.left_out for one in found.sensors] == ["cable burnt through", None]


def test_a_sensor_left_out_is_still_among_the_hottest() -> None:
    curves = {sensor(45): curve(steady(10, 50.0)), sensor(15): curve(steady(10, 62.0))}
    found = report(curves, left_out(facts(), 0))
    assert (found.hottest.hours_above["60"], found.coldest.hours_above["60"]) == (10, 0)


def test_when_every_sensor_is_left_out_nobody_vouches_for_the_coldest() -> None:
    found = report(two(), left_out(facts(), 0, depth=""))
    assert found.coldest.hours_above["55"] is None
    assert found.hottest.hours_above["55"] == 10


def test_the_present_value_is_unknown_after_the_longest_gap_and_after_a_turn() -> None:
    readings = two()
    assert report(readings, at=10 * HOUR + GAP).hottest.now_c == 62
    assert report(readings, at=10 * HOUR + GAP + 1).hottest.now_c is None
    assert (
        report(readings, facts(turns=[10 * HOUR + MINUTE]), at=10 * HOUR + 2 * MINUTE).hottest.now_c is None
    )
    assert report(readings, facts(turns=[10 * HOUR]), at=10 * HOUR).hottest.now_c == 62


def test_zones_are_asked_apart_and_all_leaves_the_air_out() -> None:
    curves = two() | {
        sensor(10, "P-02"): curve(steady(10, 48.0)),
        sensor(5, "P-03"): curve(steady(10, 9.0)),
    }
    pile = facts([placed(), placed("P-02", zone="edge"), placed("P-03", zone="ambient")])
    heat = PileHeat(pile, GAP, curves)
    assert heat.spells(55, "coldest")[0] == 10 * HOUR
    assert heat.spells(55, "coldest", "all")[0] == 0
    assert heat.spells(48, "coldest", "all")[0] == 10 * HOUR
    assert heat.spells(48, "hottest", "edge")[0] == 10 * HOUR
    assert heat.spells(5, "coldest", "surface")[0] == 0
    assert heat.zones() == {"core", "edge", "ambient"}
    assert report(curves, pile).coldest.now_c == 57


def test_the_coldest_can_peak_where_two_lines_cross() -> None:
    found = report({sensor(15): every(HOUR, 50, 60), sensor(45): every(HOUR, 62, 52)})
    assert found.coldest.peak_c == pytest.approx(56.0)
    assert found.coldest.peak_at == BUILT + 36 * MINUTE


walks = st.lists(
    st.tuples(st.sampled_from([7, 10, 10, 31, 100, 200]), st.floats(30, 70)), min_size=1, max_size=25
)


@example([[(7, 30.0), (7, 30.0), (7, 41.0), (7, 30.0), (7, 30.0)]], 0)
@settings(max_examples=60)
@given(st.lists(walks, min_size=1, max_size=4), st.integers(0, 10))
def test_the_peak_of_the_coldest_is_the_highest_of_dense_samples(
    many: list[list[tuple[int, float]]], turned_h: int
) -> None:
    """Sampled once a minute: never above the peak, and below it by no more than the steepest line climbs in a minute."""
    curves, steepest = {}, 0.0
    for depth, steps in enumerate(many):
        at = np.cumsum([minutes for minutes, _ in steps])
        values = np.array([celsius for _, celsius in steps])
        if len(at) > 1:
            steepest = max(steepest, float(np.abs(np.diff(values) / np.diff(at)).max()))
        curves[sensor(10 * depth + 10)] = curve(
            (int(minute) * MINUTE, value) for minute, value in zip(at, values.tolist(), strict=True)
        )
    turns = [turned_h * HOUR] if turned_h else []
    heat = PileHeat(facts(turns=turns), GAP, curves)
    known = heat.known()
    minutes = np.arange(0, 60 * 60) * MINUTE + BUILT
    lowest = np.full(len(minutes), np.inf)
    for _, _, good_at, celsius in heat.readings(
        after=Millis(0), until=Millis(1 << 46)
    ):  # a lone jump is left out
        if len(good_at):
            lowest = np.minimum(lowest, np.interp(minutes, good_at, celsius))
    inside = np.zeros(len(minutes), dtype=bool)
    for start, end in known.tolist():
        inside |= (minutes >= start) & (minutes <= end)
    peak = heat.peak("coldest")
    if not inside.any():
        return
    assert peak is not None
    assert lowest[inside].max() <= peak[0] + 1e-9
    assert peak[0] <= lowest[inside].max() + steepest + 1e-9
    assert heat.spells(peak[0] + 1e-6, "coldest")[0] == 0
    whole = heat.peak("coldest", after=Millis(0), until=Millis(int(minutes[-1])))
    assert whole is not None
    assert whole[0] == pytest.approx(peak[0], abs=1e-9)
