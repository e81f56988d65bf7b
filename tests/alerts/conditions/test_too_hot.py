from __future__ import annotations

import pytest

from alerts.conditions import cool_pile, fire_watch
from alerts.conditions.verdict import Verdict
from shared.heat.report import RiskLevel
from tests.alerts.made import HOUR, NOW, a_sensor, a_snapshot


def cool(**about: object) -> Verdict:
    (verdict,) = cool_pile.judge(a_snapshot(**about))  # type: ignore[arg-type]  # by name, as a_snapshot takes them
    return verdict


def fire(**about: object) -> Verdict:
    (verdict,) = fire_watch.judge(a_snapshot(**about))  # type: ignore[arg-type]  # by name, as a_snapshot takes them
    return verdict


@pytest.mark.parametrize(
    ("hottest_c", "state"),
    [(66.9, "ok"), (67.0, "unknown"), (69.9, "unknown"), (70.0, "bad"), (76.0, "bad"), (None, "unknown")],
)
def test_cool_pile_opens_at_70_and_closes_under_67(hottest_c: float | None, state: str) -> None:
    assert cool(hottest_c=hottest_c).state == state


@pytest.mark.parametrize(
    ("risk", "state"), [("none", "ok"), ("watch", "ok"), ("high", "bad"), ("danger", "bad")]
)
def test_a_high_step_of_the_risk_ladder_is_too_hot_at_any_reading(risk: RiskLevel, state: str) -> None:
    assert cool(hottest_c=64.0, risk=risk).state == state


def test_after_a_turn_the_reading_decides_and_not_the_slow_ladder() -> None:
    assert cool(hottest_c=64.0, risk="high", turned=(NOW - 3 * HOUR,)).state == "ok"
    assert cool(hottest_c=71.0, risk="high", turned=(NOW - 3 * HOUR,)).state == "bad"
    assert cool(hottest_c=64.0, risk="high", turned=(NOW - 25 * HOUR,)).state == "bad"


def test_a_turn_is_an_answer_while_the_readings_settle() -> None:
    verdict = cool(hottest_c=72.0, risk="high", turned=(NOW - HOUR,))
    assert (verdict.state, verdict.reason, verdict.hold_ms) == ("ok", "turned", 0)
    assert verdict.look_again_at == NOW + HOUR


def test_an_old_reading_says_nothing_of_the_present() -> None:
    assert cool(hottest_c=60.0, measured_at=NOW - 4 * HOUR).state == "unknown"
    assert fire(hottest_c=60.0, measured_at=NOW - 4 * HOUR).state == "unknown"


def test_fire_watch_is_urgent_and_only_for_danger() -> None:
    assert fire(hottest_c=77.0, risk="danger").severity == "urgent"
    assert fire(hottest_c=77.0, risk="danger").state == "bad"
    assert fire(hottest_c=72.0, risk="high").state == "unknown"
    assert fire(hottest_c=67.0, risk="high").state == "ok"


def test_a_failed_sensor_at_such_heat_is_no_proof_of_cooling() -> None:
    burnt = a_sensor(last_c=30.0, fault="no usable value")
    assert fire(hottest_c=30.0, risk="watch", sensors=[burnt]).state == "unknown"
    assert fire(hottest_c=None, risk="none", sensors=[]).state == "unknown"


def test_fire_watch_closes_late() -> None:
    assert fire_watch.CONDITION.close_hold_ms == 6 * HOUR


def test_a_record_that_is_being_loaded_alarms_nobody() -> None:
    old = [a_sensor(last_at=NOW - 13 * HOUR)]
    assert fire(hottest_c=None, risk="danger", sensors=old).state == "unknown"
    assert cool(hottest_c=None, risk="high", sensors=old).state == "unknown"
    late = [a_sensor(last_at=NOW - 11 * HOUR)]
    assert fire(hottest_c=None, risk="danger", sensors=late).state == "bad"
