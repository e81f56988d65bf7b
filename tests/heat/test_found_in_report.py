"""A turn that nobody logged is proposed, and never counted before a person says so."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from shared.heat.compose import report_of
from shared.heat.engine import PileHeat
from shared.heat.facts import PileFacts
from shared.heat.report import HeatReport, ReportTurn
from shared.piles import Turn, TurnSource, TurnState
from shared.readings import Curve, SensorKey
from shared.times import DAY, HOUR, MINUTE, Millis
from tests.heat.asking import CATALOGUE
from tests.heat.piles import BUILT, GAP, facts, placed, sensor

TURNED_H = 97.0
DEPTHS = {"15": 50.0, "35": 61.0, "55": 66.0}


def curves(
    hours: float = 120, probe: str = "P-01", turned_h: float | None = TURNED_H
) -> dict[SensorKey, Curve]:
    """Three depths every 10 min; at the turn the core falls by 20 K and climbs back over a day."""
    at = BUILT + np.arange(0, round(hours * HOUR), 10 * MINUTE, dtype=np.int64)
    age_h = (at - BUILT) / HOUR
    made = {}
    for number, (depth, top) in enumerate(DEPTHS.items()):
        celsius = (
            12.0 + (top - 12.0) * (1.0 - np.exp(-age_h / 14.0)) + 0.05 * np.sin(np.arange(len(at)) + number)
        )
        if turned_h is not None:
            since = np.maximum(age_h - turned_h, 0.0)
            fall = (top - 46.0) * np.exp(-since / 10.0)
            celsius = celsius - np.where(age_h > turned_h, fall, 0.0)
        made[sensor(depth, probe)] = Curve(at, celsius, np.zeros(len(at), dtype=np.uint8))
    return made


def asked(of: PileFacts, heard: dict[SensorKey, Curve], now_h: float = 120) -> HeatReport:
    now = Millis(BUILT + round(now_h * HOUR))
    until = {
        key: Curve(curve.at[curve.at <= now], curve.value[curve.at <= now], curve.mark[curve.at <= now])
        for key, curve in heard.items()
    }
    return report_of(PileHeat(of, GAP, until), now, CATALOGUE.default_guide, [])


def found(report: HeatReport) -> list[ReportTurn]:
    return [turn for turn in report.turns if turn.id is None]


def told(hours: float, source: TurnSource = "logged", state: TurnState = "confirmed") -> PileFacts:
    turn = Turn("turn-1", "pile", Millis(BUILT + round(hours * HOUR)), source, state)
    return replace(facts(), turns=(turn,))


def test_it_is_proposed_at_its_time_within_two_hours_and_counts_for_nothing() -> None:
    report = asked(facts(), curves(), TURNED_H + 2)
    (turn,) = found(report)
    assert (turn.source, turn.state) == ("detected", "proposed")
    assert abs(turn.at - (BUILT + TURNED_H * HOUR)) <= 20 * MINUTE
    assert report.turn.counted == 0
    assert len(report.cycles) == 1
    assert report.hottest.hours_above["55"] is not None


def test_a_pile_that_was_not_turned_has_none() -> None:
    assert found(asked(facts(), curves(turned_h=None))) == []


@pytest.mark.parametrize("hours", [TURNED_H - 3, TURNED_H, TURNED_H + 5])
def test_the_logged_one_wins(hours: float) -> None:
    report = asked(told(hours), curves())
    assert [turn.source for turn in report.turns] == ["logged"]


def test_a_declined_one_is_not_proposed_again_after_a_restart_or_late_readings() -> None:
    whole = curves()
    late = {key: Curve(c.at[::3], c.value[::3], c.mark[::3]) for key, c in whole.items()}
    (first,) = found(asked(facts(), late))
    declined = told((first.at - BUILT) / HOUR, "detected", "declined")
    assert found(asked(declined, late)) == []
    assert found(asked(declined, whole)) == []


def test_a_confirmed_one_keeps_its_time_and_ends_a_cycle() -> None:
    (first,) = found(asked(facts(), curves()))
    report = asked(told((first.at - BUILT) / HOUR, "detected"), curves())
    assert found(report) == []
    assert [(turn.at, turn.source, turn.state) for turn in report.turns] == [
        (first.at, "detected", "confirmed")
    ]
    assert len(report.cycles) == 2
    assert report.cycles[0].to == first.at


def test_one_probe_of_two_is_enough_but_not_one_of_three() -> None:
    two = replace(facts([placed("P-01"), placed("P-02", position="end")]))
    heard = curves() | curves(probe="P-02", turned_h=None)
    assert len(found(asked(two, heard))) == 1
    three = facts([placed("P-01"), placed("P-02", position="end"), placed("P-03", position="other end")])
    assert found(asked(three, heard | curves(probe="P-03", turned_h=None))) == []


def test_a_finished_pile_is_left_alone() -> None:
    over = replace(facts(), pile=replace(facts().pile, finished_at=Millis(BUILT + 5 * DAY)))
    assert found(asked(over, curves())) == []


def test_reading_by_reading_equals_afresh() -> None:
    """Asked at every step, with a stretch that comes late: turns found, outlook, crossings and due times alike."""
    whole, guide = curves(hours=112), CATALOGUE.default_guide
    heat = PileHeat(facts(), GAP)
    late: list[tuple[SensorKey, Curve]] = []
    steps = [*range(0, round(112 * HOUR), 110 * MINUTE), round(112 * HOUR)]
    for number, (before, after) in enumerate(pairwise(steps)):
        now = Millis(BUILT + after - 1)
        for key, curve in whole.items():
            some = (curve.at >= BUILT + before) & (curve.at < BUILT + after)
            piece = Curve(curve.at[some], curve.value[some], curve.mark[some])
            if number % 13 == 11:
                late.append((key, piece))
            else:
                heat.put(key, piece.at, piece.value)
        if number % 13 == 12:
            for key, piece in late:
                heat.put(key, piece.at, piece.value)
            late.clear()
        kept = report_of(heat, now, guide, [])
        if number % 6 == 0 or after > 95 * HOUR:
            assert kept == report_of(PileHeat(facts(), GAP, heat.curves()), now, guide, [])
    assert kept.outlook
    assert len(found(kept)) == 1
