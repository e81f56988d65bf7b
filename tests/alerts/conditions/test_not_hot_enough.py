from __future__ import annotations

import pytest

from alerts.conditions import cooled, not_heating
from alerts.conditions.verdict import Verdict
from shared.heat.report import Phase
from tests.alerts.made import DAY, HOUR, NOW, a_pile, a_report, a_sensor, a_snapshot


def heating(age: int, peak_c: float | None, *, seen_after: int = HOUR, phase: Phase = "heating") -> Verdict:
    pile = a_pile(built_at=NOW - age)
    sensors = [a_sensor(first_at=pile.built_at + seen_after, peak_c=peak_c)]
    report = a_report(pile, peak_c=peak_c, sensors=sensors, phase=phase, load=0.0)
    (verdict,) = not_heating.judge(a_snapshot(pile=pile, report=report))
    return verdict


@pytest.mark.parametrize(
    ("age", "peak_c", "state", "severity"),
    [
        (2 * DAY, 12.0, "ok", "info"),
        (3 * DAY, 44.9, "bad", "info"),
        (3 * DAY, 45.0, "unknown", "info"),
        (3 * DAY, 50.0, "ok", "info"),
        (7 * DAY, 54.9, "bad", "act"),
        (7 * DAY, 55.0, "ok", "info"),
        (30 * DAY, 20.0, "ok", "info"),
        (7 * DAY, None, "unknown", "info"),
    ],
)
def test_slow_after_three_days_and_cold_after_seven(
    age: int, peak_c: float | None, state: str, severity: str
) -> None:
    verdict = heating(age, peak_c)
    assert (verdict.state, verdict.severity) == (state, severity)


def test_a_pile_that_nobody_measured_at_first_may_have_been_hot() -> None:
    assert heating(7 * DAY, 40.0, seen_after=49 * HOUR).state == "unknown"


def test_time_alone_makes_it_slow_and_then_cold() -> None:
    assert heating(2 * DAY, 20.0).look_again_at == NOW + DAY
    assert heating(4 * DAY, 20.0).look_again_at == NOW + 3 * DAY


def test_a_pile_that_cures_is_past_its_heating() -> None:
    assert heating(10 * DAY, 40.0, phase="curing").state == "ok"


def over(phase: Phase, counted: int = 3) -> Verdict:
    (verdict,) = cooled.judge(a_snapshot(phase=phase, counted=counted, hottest_c=30.0))
    return verdict


@pytest.mark.parametrize(
    ("phase", "state"),
    [("curing", "bad"), ("cooling", "unknown"), ("hot", "ok"), ("heating", "ok"), ("unknown", "unknown")],
)
def test_the_heat_is_over_once_the_pile_cures(phase: Phase, state: str) -> None:
    assert over(phase).state == state


def test_heat_that_is_over_before_the_turns_are_done_wants_a_look() -> None:
    assert (over("curing", 3).severity, over("curing", 3).reason) == ("info", "heat_over")
    assert (over("curing", 2).severity, over("curing", 2).reason) == ("act", "heat_over_before_the_turns")
