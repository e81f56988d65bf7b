"""The turn load and when a turn is due. The table and the worked case are common practice, no source; the rest is arithmetic."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from shared.heat.catalogue import parse
from shared.heat.compose import heat_report
from shared.heat.guide import Guide
from shared.readings import Curve
from shared.times import DAY, HOUR, MINUTE, Millis
from tests.heat.asking import CATALOGUE, report
from tests.heat.piles import BUILT, GAP, curve, facts, sensor, steady

STEP = 10 * MINUTE
GUIDE = CATALOGUE.default_guide


def stepped(*pieces: tuple[float, float], step_ms: int = STEP, tail: float = 0.0) -> Curve:
    """Constant pieces of (hours, °C), the value changing within one millisecond; ``tail`` hours more of the last."""
    rows: dict[int, float] = {}
    at = 0
    for hours, celsius in (*pieces, (tail, pieces[-1][1])):
        end = at + round(hours * HOUR)
        rows.update(dict.fromkeys(range(at + (1 if at else 0), end, step_ms), celsius))
        rows[end] = celsius
        at = end
    return curve(rows.items())


def test_the_worked_case_36_hours_at_55_to_60_and_24_hours_at_60_to_65_is_due_exactly_then() -> None:
    """36/72 + 24/48 = 1 (arithmetic on the guide's table)."""
    exact = report(
        curve([*steady(36, 57.0), *[(36 * HOUR + 1 + at, 62.0) for at in range(0, 25 * HOUR, HOUR)]])
    )
    assert exact.turn.load is not None
    assert exact.turn.load >= 1
    assert exact.turn.due_at is not None
    assert abs(exact.turn.due_at - (BUILT + 60 * HOUR)) <= 1  # the step itself takes a millisecond
    assert exact.turn.state == "due"


def test_a_minute_before_it_is_not_due_but_soon_and_names_the_instant() -> None:
    found = report(stepped((36, 57.0), (23.75, 62.0)))
    assert found.turn.load == pytest.approx(0.5 + 23.75 / 48, abs=1e-8)
    assert found.turn.state == "soon"
    assert found.turn.due_at is not None
    assert abs(found.turn.due_at - (BUILT + 60 * HOUR)) <= 1


@pytest.mark.parametrize(
    ("celsius", "hold_h"), [(55.0, 72), (59.99, 72), (60.0, 48), (64.99, 48), (65.0, 24), (69.99, 24)]
)
def test_each_band_of_the_table_holds_for_its_hours(celsius: float, hold_h: int) -> None:
    found = report(curve(steady(hold_h + 1, celsius)))
    assert found.turn.due_at == BUILT + hold_h * HOUR
    early = report(curve(steady(hold_h - 10, celsius)))
    assert (early.turn.state, early.turn.due_at) == ("not_yet", BUILT + hold_h * HOUR)
    assert early.turn.load == pytest.approx((hold_h - 10) / hold_h, rel=1e-12)


def test_below_the_table_nothing_adds_up_and_no_time_is_named() -> None:
    found = report(curve(steady(100, 54.9)))
    assert (found.turn.load, found.turn.due_at, found.turn.state) == (0.0, None, "not_yet")


def test_at_70_a_turn_is_due_at_the_instant_that_is_reached() -> None:
    found = report(curve([(0, 60.0), (HOUR, 80.0), (2 * HOUR, 80.0)]))
    assert (found.turn.due_at, found.turn.state) == (BUILT + HOUR // 2, "due")
    assert found.turn.load == 1.0


def test_one_reading_at_70_is_enough_even_without_a_line() -> None:
    found = report(curve([(0, 60.0), (4 * HOUR, 70.0)]))
    assert (found.turn.due_at, found.turn.load) == (BUILT + 4 * HOUR, 1.0)
    touched = report(curve([(0, 60.0), (HOUR, 70.0), (2 * HOUR, 60.0)]))
    assert touched.turn.due_at == BUILT + HOUR


def test_the_load_came_to_one_before_70_was_reached() -> None:
    found = report(stepped((24, 66.0), (3, 72.0)))
    assert found.turn.due_at == BUILT + 24 * HOUR
    assert found.turn.load is not None
    assert found.turn.load > 1


def test_a_turn_starts_the_load_anew() -> None:
    found = report(curve(steady(50, 61.0)), facts(turns=[40 * HOUR]))
    assert found.turn.load == pytest.approx((50 - 41) / 48, rel=1e-12)
    assert [cycle.load for cycle in found.cycles] == [pytest.approx(40 / 48), pytest.approx(9 / 48)]


def test_unknown_time_adds_nothing_to_the_load() -> None:
    found = report(curve(steady(10, 61.0) + steady(10, 61.0, start_h=20)))
    assert found.turn.load == pytest.approx(20 / 48, rel=1e-12)


def test_the_time_is_named_only_while_the_core_is_known() -> None:
    readings = curve(steady(10, 61.0))
    fresh, old = report(readings, at=10 * HOUR + GAP), report(readings, at=10 * HOUR + GAP + 1)
    assert fresh.turn.due_at == BUILT + 48 * HOUR
    assert old.turn.due_at is None
    assert old.turn.load == fresh.turn.load


def test_overdue_begins_as_many_hours_after_as_the_guide_says() -> None:
    readings = curve(steady(62, 61.0, STEP))
    assert GUIDE.overdue_h == 12
    assert report(readings, at=60 * HOUR - 1).turn.state == "due"
    assert report(readings, at=60 * HOUR).turn.state == "overdue"


def test_soon_begins_as_many_hours_before_as_the_guide_says() -> None:
    readings = curve(steady(48, 61.0, STEP))
    assert report(readings, at=42 * HOUR - 1).turn.state == "not_yet"
    assert report(readings, at=42 * HOUR).turn.state == "soon"


def test_the_hottest_core_sensor_is_asked_and_no_other() -> None:
    both = {sensor(20): curve(steady(10, 56.0)), sensor(45): curve(steady(10, 66.0))}
    assert report(both).turn.load == pytest.approx(10 / 24, rel=1e-12)


def test_the_load_of_two_sensors_follows_whichever_is_hotter() -> None:
    one = curve([(0, 50.0), (10 * HOUR, 70.0)])
    other = curve([(0, 69.0), (10 * HOUR, 49.0)])
    found = report({sensor(20): one, sensor(45): other}, max_gap_ms=DAY)
    # over 65: 2 h of the one that falls, 2.5 h of the one that climbs; over 60: 4.5 + 5 h; over 55: the whole time
    assert found.turn.due_at == BUILT + 10 * HOUR  # 70 is reached
    early = report({sensor(20): curve([(0, 50.0), (9 * HOUR, 68.0)]), sensor(45): curve([(0, 69.0), (9 * HOUR, 51.0)])}, max_gap_ms=DAY)  # fmt: skip
    assert early.turn.load == pytest.approx((2 + 1.5) / 24 + (2.5 + 2.5) / 48 + 0.5 / 72, abs=1e-9)


def test_a_pile_without_a_core_sensor_has_no_load() -> None:
    from tests.heat.piles import placed

    found = report(curve(steady(10, 61.0)), facts([placed(zone="edge")]))
    assert (found.turn.load, found.turn.state, found.hottest.now_c) == (None, "none", None)
    assert found.hottest.hours_above["55"] is None


def test_other_guides_are_data() -> None:
    guide = parse(
        Guide,
        """
        id = "odd"
        title = "Odd hours"
        source = "made up for this test"
        source_status = "common practice"
        required_turns = 2
        overdue_load = 1.25
        rungs = [{from_c = 50, hold_h = 71.3}, {from_c = 57.5, hold_h = 11.7}]
        """,
        "odd.toml",
    )
    curves = {sensor(): stepped((20, 52.0), (20, 58.0))}
    found = heat_report(facts(), curves, Millis(BUILT + 40 * HOUR), guide, [], GAP)
    due_ms = 20 * HOUR + (1 - 20 / 71.3) * 11.7 * HOUR
    assert found.turn.due_at == pytest.approx(BUILT + due_ms, abs=2)
    assert (found.turn.guide, found.turn.state, found.turn.required) == ("odd", "overdue", 2)


@settings(max_examples=60)
@given(st.lists(st.tuples(st.integers(1, 30), st.floats(45, 69.9)), min_size=1, max_size=8))
def test_the_load_of_steps_is_the_sum_of_their_shares_and_due_when_it_is_one(
    pieces: list[tuple[int, float]],
) -> None:
    found = report(stepped(*pieces))
    at, load, due = 0, Fraction(0), None
    for hours, celsius in pieces:
        hold_h = GUIDE.hold_h(celsius)
        if hold_h is not None:
            pace = 1 / Fraction(hold_h)
            if due is None and load + pace * hours >= 1:
                due = at + (1 - load) / pace
            load += pace * hours
            assume(
                abs(load - 1) > 1e-4
            )  # a step is a millisecond wide: on the edge, either side of it is right
        at += hours
    assert found.turn.load == pytest.approx(float(load), abs=1e-6)
    if due is not None and found.turn.load is not None and found.turn.load >= 1:
        assert found.turn.due_at == pytest.approx(BUILT + float(due) * HOUR, abs=100)


def test_a_declined_turn_leaves_the_load_as_it_was() -> None:
    pile = facts(turns=[5 * HOUR])
    pile = replace(pile, turns=(replace(pile.turns[0], state="declined"),))
    assert report(curve(steady(10, 61.0)), pile).turn.load == pytest.approx(10 / 48, rel=1e-12)
