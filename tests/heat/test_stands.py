"""Readings withdrawn one by one leave the lines as if they had never been; a sensor without a placement breaks nothing."""

from __future__ import annotations

import numpy as np

from shared.heat.compose import report_of
from shared.heat.engine import PileHeat
from shared.heat.screening import Reason
from shared.heat.stands import Stand
from shared.times import HOUR, MINUTE, Millis
from tests.heat.asking import CATALOGUE
from tests.heat.piles import BUILT, GAP, curve, facts, sensor


def test_a_sensor_without_a_span_covers_nothing() -> None:
    stand = Stand.__new__(Stand)
    stand.spans = np.empty((0, 2), np.int64)
    assert not stand.covers(np.array([1, 2, 3], np.int64)).any()


def same_as_afresh(heat: PileHeat) -> None:
    curves = heat.curves()
    newest = heat.newest_at()
    assert newest is not None
    afresh = report_of(PileHeat(heat.facts, GAP, curves), newest, CATALOGUE.default_guide, [])
    assert report_of(heat, newest, CATALOGUE.default_guide, []) == afresh


def held(*readings: tuple[int, float]) -> PileHeat:
    heat = PileHeat(facts(), GAP, {sensor(): curve(readings)})
    report_of(
        heat, Millis(BUILT + readings[-1][0]), CATALOGUE.default_guide, []
    )  # worked out before it changes
    return heat


def withdraw(heat: PileHeat, *at: int) -> None:
    heat.withdraw(sensor(), np.array([BUILT + one for one in at], dtype=np.int64))


def test_of_two_85_that_support_each_other_the_one_that_stays_is_judged_anew() -> None:
    step = 30 * MINUTE
    readings = [(n * step, 60.0) for n in range(8)] + [(8 * step, 85.0), (9 * step, 85.0)]
    readings += [(n * step, 60.0) for n in range(10, 18)]
    heat = held(*readings)
    stand = heat.stands[0]
    assert stand.line("45").rows.by_reason[Reason.LONE_85] == 0
    withdraw(heat, 9 * step)
    same_as_afresh(heat)
    assert stand.line("45").rows.by_reason[Reason.LONE_85] == 1


def test_two_neighbours_withdrawn_one_by_one_leave_no_trace() -> None:
    step = 50 * MINUTE
    for first, second in ((5, 6), (6, 5)):
        heat = held(*((n * step, 58.0 + n) for n in range(12)))
        for gone in (first, second):
            withdraw(heat, gone * step)
            same_as_afresh(heat)
        at_once = held(*((n * step, 58.0 + n) for n in range(12) if n not in {5, 6}))
        now = Millis(BUILT + 11 * step)
        guide = CATALOGUE.default_guide
        assert report_of(heat, now, guide, []) == report_of(at_once, now, guide, [])


def test_neighbours_withdrawn_one_by_one_between_questions_end_the_line_once_it_is_too_long() -> None:
    heat = held(*((n * HOUR, 60.0) for n in range(10)))
    for gone in (4, 5, 6):
        withdraw(heat, gone * HOUR)
        same_as_afresh(heat)
    found = report_of(heat, Millis(BUILT + 9 * HOUR), CATALOGUE.default_guide, [])
    assert found.hottest.hours_above["55"] == 5  # 0-3 and 7-9: four hours apart is no line
