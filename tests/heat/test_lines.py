"""The line between readings and its edge cases; expectations follow from the definition of the line alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shared.heat.exposure import crossing_at
from shared.probes import Calibration
from shared.readings import ArrivalMark
from shared.times import HOUR, MINUTE, SECOND, Millis, parse_time
from tests.heat.asking import only, report, seconds
from tests.heat.piles import BUILT, curve, every, facts, placed, sensor, steady, turn

TEN = 10 * MINUTE


def above(readings: list[tuple[int, float]], threshold: str = "55") -> tuple[float, float]:
    """Seconds at or over a threshold in all, and the longest spell."""
    found = only(report(curve(readings)))
    return seconds(found.hours_above[threshold]), seconds(found.longest_spell_hours[threshold])


def test_a_line_that_only_touches_the_threshold_counts_no_time() -> None:
    assert above([(0, 54), (TEN, 55), (2 * TEN, 54)]) == (0, 0)


def test_a_line_that_lies_on_the_threshold_counts_in_full() -> None:
    assert above([(0, 55), (TEN, 55)]) == (600, 600)


def test_a_climb_from_50_to_60_is_over_55_for_half_of_its_time() -> None:
    assert above([(0, 50), (TEN, 60)]) == (300, 300)
    assert above([(0, 60), (TEN, 50)]) == (300, 300)


def test_a_peak_counts_on_both_its_sides_as_one_spell() -> None:
    assert above([(0, 50), (TEN, 60), (2 * TEN, 50)]) == (600, 600)


def test_a_dip_to_the_threshold_does_not_part_a_spell() -> None:
    assert above([(0, 56), (TEN, 55), (2 * TEN, 56)]) == (1200, 1200)


@pytest.mark.parametrize("dip", [54.999, 54.9999999, np.nextafter(55.0, 0)])
def test_any_dip_below_the_threshold_parts_a_spell(dip: float) -> None:
    total, longest = above([(0, 56), (TEN, dip), (2 * TEN, 56)])
    assert longest < 601
    assert total > 1198


def test_one_reading_is_no_line() -> None:
    found = only(report(curve([(0, 60)])))
    assert (found.readings, found.hours_above["55"], found.gap_hours) == (1, 0.0, 0.0)
    assert found.peak_c == 60


def test_no_reading_at_all_is_unknown_and_not_nought() -> None:
    found = report({}, at=HOUR)
    assert only(found).hours_above["55"] is None
    assert found.hottest.hours_above["55"] is None
    assert found.coldest.hours_above["55"] is None
    assert found.lethality_index is None
    assert found.turn.load is None


@pytest.mark.parametrize(("apart", "known", "gap"), [(3600, 3600, 0), (3601, 0, 3601)])
def test_readings_exactly_the_longest_gap_apart_are_joined(apart: int, known: int, gap: int) -> None:
    found = only(report(curve([(0, 60), (apart * SECOND, 60)]), max_gap_ms=HOUR))
    assert seconds(found.hours_above["55"]) == known
    assert seconds(found.gap_hours) == gap


def test_a_gap_parts_a_spell_and_is_told() -> None:
    readings = steady(5, 60) + steady(4, 60, start_h=10)
    found = only(report(curve(readings)))
    assert (found.hours_above["55"], found.longest_spell_hours["55"], found.gap_hours) == (9, 5, 5)


def test_not_a_number_vanishes_and_its_neighbours_join() -> None:
    found = only(report(curve([(0, 60), (TEN, float("nan")), (2 * TEN, 60)])))
    assert seconds(found.hours_above["55"]) == 1200
    assert found.suspect_reasons == {"no_value": 1}


def test_neighbours_of_what_vanished_stay_apart_when_they_are_too_far() -> None:
    found = only(report(curve([(0, 60), (2 * HOUR, float("nan")), (4 * HOUR, 60)])))
    assert (found.hours_above["55"], found.gap_hours) == (0, 4)


@pytest.mark.parametrize("word", [-127.0, 127.94, 127.9375, 130.0, -60.0])
def test_a_drivers_word_for_no_value_vanishes(word: float) -> None:
    found = only(report(curve([(0, 60), (TEN, word), (2 * TEN, 60)])))
    assert (seconds(found.hours_above["55"]), found.suspect, found.peak_c) == (1200, 1, 60)


def test_two_bad_readings_in_a_row_vanish_but_a_faulty_hour_ends_the_line() -> None:
    two = curve([(0, 60), (TEN, -127), (2 * TEN, -127), (3 * TEN, 60)])
    assert seconds(only(report(two)).hours_above["55"]) == 1800
    hour = [(0, 60.0), *((step * TEN, -127.0) for step in range(1, 9)), (9 * TEN, 60.0), (10 * TEN, 60.0)]
    found = only(report(curve(hour)))
    assert (seconds(found.hours_above["55"]), seconds(found.gap_hours)) == (600, 5400)


def test_a_stale_reading_is_left_out_by_its_mark_of_arrival() -> None:
    marked = curve([(0, 60), (TEN, 20), (2 * TEN, 60)], {TEN: ArrivalMark.STALE})
    found = only(report(marked))
    assert (seconds(found.hours_above["55"]), found.suspect_reasons) == (1200, {"stale": 1})


def test_a_reading_of_no_stated_time_or_typed_by_hand_counts() -> None:
    marked = curve([(0, 60), (TEN, 60)], {0: ArrivalMark.NO_TIME, TEN: ArrivalMark.BY_HAND})
    assert seconds(only(report(marked)).hours_above["55"]) == 600


def test_no_line_crosses_a_turn_and_a_reading_at_its_instant_is_the_last_before_it() -> None:
    readings = every(HOUR, 60, 60, 60, 60, 60)
    found = only(report(readings, facts(turns=[2 * HOUR])))
    assert (found.hours_above["55"], found.longest_spell_hours["55"], found.gap_hours) == (3, 2, 1)
    between = only(report(readings, facts(turns=[2 * HOUR + 1])))
    assert (between.hours_above["55"], between.longest_spell_hours["55"]) == (3, 2)


def test_a_probe_pulled_at_the_turn_gives_no_heat_to_the_time_after_it() -> None:
    readings = every(TEN, 62, 62, 62, 20, 48)
    found = report(readings, facts(turns=[2 * TEN]))
    assert seconds(found.cycles[0].hours_above_55) == 1200
    assert seconds(found.cycles[1].hours_above_55) == 0


def test_declined_and_proposed_turns_end_no_line() -> None:
    readings = every(HOUR, 60, 60, 60)
    for state in ("proposed", "declined"):
        pile = replace(facts(), turns=(replace(turn(HOUR), state=state, source="detected"),))
        assert only(report(readings, pile)).hours_above["55"] == 2


def test_no_line_crosses_the_move_of_a_probe() -> None:
    readings = every(HOUR, 60, 60, 60, 60, 60)
    moved = facts([placed(end=2 * HOUR), placed(start=2 * HOUR)])
    found = only(report(readings, moved))
    assert (found.hours_above["55"], found.longest_spell_hours["55"]) == (3, 2)
    assert found.gap_hours == 1  # it never left, so the hour between is unknown


def test_two_positions_of_one_probe_are_told_apart() -> None:
    readings = every(HOUR, 60, 60, 60, 60, 60)
    moved = facts([placed(end=2 * HOUR, position="left"), placed(start=2 * HOUR, position="right")])
    found = report(readings, moved)
    assert [(one.position, one.readings, one.hours_above["55"]) for one in found.sensors] == [
        ("left", 2, 1),
        ("right", 3, 2),
    ]


def test_readings_from_before_the_pile_and_from_after_it_are_not_its_own() -> None:
    readings = curve([(at * HOUR, 60.0) for at in range(-3, 8)])
    found = only(report(readings, facts(finished_at=Millis(BUILT + 4 * HOUR)), at=7 * HOUR))
    assert (found.readings, found.hours_above["55"]) == (5, 4)


def test_a_reading_that_claims_a_time_to_come_is_not_there_yet() -> None:
    readings = curve([(0, 60), (HOUR, 60), (2 * HOUR, 60)])
    found = only(report(readings, at=90 * MINUTE))
    assert (found.readings, found.hours_above["55"]) == (2, 1)


@pytest.mark.parametrize(
    ("night", "hours"), [("2026-03-29", 2.0), ("2026-10-25", 4.0)], ids=["spring forward", "fall back"]
)
def test_the_clock_changes_and_the_heat_does_not(night: str, hours: float) -> None:
    """Dublin: 00:30 to 03:30 by the wall is two hours in spring and four in autumn."""
    start = parse_time(f"{night}T00:30:00", "Europe/Dublin")
    end = parse_time(f"{night}T03:30:00", "Europe/Dublin")
    readings = curve([(start - BUILT, 60.0), (end - BUILT, 60.0)])
    found = only(report(readings, max_gap_ms=5 * HOUR))
    assert found.hours_above["55"] == hours


def test_crossings_are_whole_milliseconds_at_least_one_from_the_reading_below() -> None:
    at = crossing_at(
        np.array([0, 0, 1000]), np.array([60.0, 55.0, 55.0]), np.array([1000, 7, 0]),
        np.array([50.0, 54.0, 54.9999999]), np.array([55.0, 55.0, 55.0]),
    )  # fmt: skip
    assert at.tolist() == [500, 0, 1000]
    near = crossing_at(*(np.array([value]) for value in (0, 56.0, 600_000, 54.999999999999, 55.0)))
    assert near.tolist() == [599_999]


def test_an_offset_applies_from_its_day_on_and_the_raw_value_is_kept() -> None:
    given = Calibration("c", "larkfield", "P-01", "45", 1.5, Millis(BUILT + 2 * HOUR))
    pile = replace(facts(), calibrations=(given,))
    readings = every(HOUR, 54, 54, 54, 54)
    found = only(report(readings, pile))
    assert (found.last_c, found.peak_c, found.peak_at) == (55.5, 55.5, BUILT + 2 * HOUR)
    assert found.hours_above["55"] == pytest.approx(1 + 1 / 3, abs=1e-6)
    assert readings.value.tolist() == [54, 54, 54, 54]


def test_a_sentinel_is_known_before_the_offset() -> None:
    given = Calibration("c", "larkfield", "P-01", "45", 1.0, BUILT)
    found = only(report(every(TEN, 60, -127, 60), replace(facts(), calibrations=(given,))))
    assert (found.suspect, found.peak_c) == (1, 61)


def test_other_quantities_of_a_probe_are_no_temperature() -> None:
    oxygen = sensor()._replace(quantity="oxygen")
    assert only(report({sensor(): every(HOUR, 60, 60), oxygen: every(HOUR, 90, 90)})).peak_c == 60
