from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest

from alerts.conditions import battery_low, probe_fault, probe_silent
from alerts.conditions.verdict import Verdict
from alerts.snapshot import SiteRadio
from shared.heat.faults import EQUAL_DEPTHS, NO_VALUES, POWER_ON, STUCK
from shared.heat.report import Phase
from shared.ids import new_id
from shared.settings import BatteryCells
from shared.times import Millis
from tests.alerts.made import DAY, HOUR, MINUTE, NOW, a_probe, a_sensor, a_snapshot


def silent(
    heard_ago: int | None,
    *,
    interval: int | None = 10 * MINUTE,
    radio: SiteRadio | None = None,
    phase: Phase = "hot",
) -> Verdict:
    probe = a_probe(heard_at=None if heard_ago is None else NOW - heard_ago, interval_ms=interval)
    (verdict,) = probe_silent.judge(a_snapshot(probes=(probe,), radio=radio, phase=phase))
    return verdict


@pytest.mark.parametrize(
    ("heard_ago", "interval", "state"),
    [
        (29 * MINUTE, 5 * MINUTE, "ok"),
        (30 * MINUTE, 5 * MINUTE, "bad"),
        (89 * MINUTE, 30 * MINUTE, "ok"),
        (90 * MINUTE, 30 * MINUTE, "bad"),
        (179 * MINUTE, None, "ok"),
        (180 * MINUTE, None, "bad"),
        (None, None, "unknown"),
    ],
)
def test_three_intervals_and_at_least_half_an_hour(
    heard_ago: int | None, interval: int | None, state: str
) -> None:
    assert silent(heard_ago, interval=interval).state == state


def test_the_deadline_is_when_to_look_again() -> None:
    assert silent(20 * MINUTE).look_again_at == NOW + 10 * MINUTE


def test_a_probe_just_placed_has_its_three_intervals_from_then_on() -> None:
    probe = a_probe(heard_at=NOW - 5 * HOUR, placed_from=NOW - 20 * MINUTE)
    (verdict,) = probe_silent.judge(a_snapshot(probes=(probe,)))
    assert verdict.state == "ok"


def test_it_matters_less_where_the_heat_is_over() -> None:
    assert silent(HOUR).severity == "act"
    assert silent(HOUR, phase="curing").severity == "info"


def radio(heard_ago: int, probes: int = 5) -> SiteRadio:
    return SiteRadio(probes, Millis(NOW - heard_ago), 10 * MINUTE)


def test_while_the_whole_site_may_be_silent_no_probe_is_blamed() -> None:
    assert silent(31 * MINUTE, radio=radio(14 * MINUTE)).state == "bad"
    doubtful = silent(31 * MINUTE, radio=radio(15 * MINUTE))
    assert (doubtful.state, doubtful.look_again_at) == ("unknown", NOW + 15 * MINUTE)
    assert silent(31 * MINUTE, radio=radio(30 * MINUTE)).state == "bad"
    assert silent(31 * MINUTE, radio=radio(15 * MINUTE, probes=1)).state == "bad"


@pytest.mark.parametrize(
    ("percent", "state", "severity"),
    [
        (100.0, "ok", "info"),
        (30.0, "ok", "info"),
        (29.9, "unknown", "info"),
        (15.1, "unknown", "info"),
        (15.0, "bad", "info"),
        (5.0, "bad", "act"),
        (None, "unknown", "info"),
    ],
)
def test_a_battery_is_low_at_15_percent_and_well_again_at_30(
    percent: float | None, state: str, severity: str
) -> None:
    (verdict,) = battery_low.judge(a_snapshot(probes=(a_probe(battery_percent=percent),)))
    assert (verdict.state, verdict.severity) == (state, severity)


@pytest.mark.parametrize(
    ("cells", "volt", "state", "severity"),
    [
        (None, 1.0, "unknown", "info"),
        ("alkaline-2", 2.8, "ok", "info"),
        ("alkaline-2", 2.41, "unknown", "info"),
        ("alkaline-2", 2.4, "bad", "info"),
        ("alkaline-2", 2.1, "bad", "act"),
        ("li-socl2", 3.3, "bad", "info"),
        ("li-ion", 3.3, "bad", "act"),
    ],
)
def test_volts_are_judged_only_where_someone_said_what_the_probe_runs_on(
    cells: BatteryCells | None, volt: float, state: str, severity: str
) -> None:
    (verdict,) = battery_low.judge(a_snapshot(probes=(a_probe(battery_volt=volt),), cells=cells))
    assert (verdict.state, verdict.severity) == (state, severity)
    assert verdict.state != "bad" or verdict.figures["battery_volt"] == volt


def test_every_kind_of_cell_has_limits_that_fall_from_well_to_empty() -> None:
    assert set(battery_low.VOLTS) == set(get_args(BatteryCells))
    assert all(limits.well > limits.low > limits.empty > 0 for limits in battery_low.VOLTS.values())


def test_a_percentage_says_more_than_the_volts_beside_it() -> None:
    probe = a_probe(battery_percent=80.0, battery_volt=1.0)
    (verdict,) = battery_low.judge(a_snapshot(probes=(probe,), cells="alkaline-2"))
    assert verdict.state == "ok"


def never_heard(placed_ago: int, *, entered_ago: int | None = None, readings: int = 0) -> Verdict:
    placed = a_probe(heard_at=None, interval_ms=None, placed_from=NOW - placed_ago)
    if entered_ago is not None:
        entered = replace(placed.placement, id=new_id(Millis(NOW - entered_ago)))
        placed = replace(placed, placement=entered)
    sensors = [a_sensor(readings=readings, last_at=None)]
    (verdict,) = probe_silent.judge(a_snapshot(probes=(placed,), sensors=sensors))
    return verdict


def test_a_probe_that_never_spoke_is_missed_three_hours_after_it_was_placed() -> None:
    awaited = never_heard(2 * HOUR)
    assert (awaited.state, awaited.look_again_at) == ("unknown", NOW + HOUR)
    missed = never_heard(3 * HOUR)
    assert (missed.state, missed.reason, missed.severity) == ("bad", "never_heard", "act")
    assert missed.figures["placed_at"] == NOW - 3 * HOUR


def test_a_probe_placed_as_of_last_week_is_waited_for_from_when_that_was_entered() -> None:
    assert never_heard(7 * DAY, entered_ago=MINUTE).state == "unknown"
    assert never_heard(7 * DAY, entered_ago=3 * HOUR).state == "bad"


def test_a_probe_whose_readings_came_from_a_file_is_not_waited_for() -> None:
    assert never_heard(7 * DAY, readings=100).reason == "read_from_a_file"


@pytest.mark.parametrize(
    ("fault", "phase", "severity"),
    [
        (STUCK, "hot", "info"),
        (EQUAL_DEPTHS, "hot", "info"),
        (f"{STUCK}; {EQUAL_DEPTHS}", "hot", "info"),
        (NO_VALUES, "hot", "act"),
        (f"{POWER_ON}; {STUCK}", "hot", "act"),
        (NO_VALUES, "curing", "info"),
    ],
)
def test_a_fault_is_as_grave_as_what_it_hides(fault: str, phase: Phase, severity: str) -> None:
    sensors = [a_sensor(depth_cm=15.0), a_sensor(depth_cm=45.0, fault=fault)]
    (verdict,) = probe_fault.judge(a_snapshot(probes=(a_probe(),), sensors=sensors, phase=phase))
    assert (verdict.state, verdict.subject, verdict.severity) == ("bad", "p-01", severity)
    assert verdict.figures["depth"] == "45 cm"


def test_a_fault_of_many_depths_is_one_fault_of_the_probe() -> None:
    sensors = [a_sensor(depth_cm=depth, fault=NO_VALUES) for depth in (15.0, 30.0, 45.0)]
    (verdict,) = probe_fault.judge(a_snapshot(probes=(a_probe(),), sensors=sensors))
    assert verdict.figures["depths_at_fault"] == 3


def test_a_probe_that_says_nothing_new_does_not_prove_that_its_fault_is_gone() -> None:
    sensors = [a_sensor(last_at=NOW - 4 * HOUR)]
    (verdict,) = probe_fault.judge(a_snapshot(probes=(a_probe(),), sensors=sensors))
    assert verdict.state == "unknown"


def test_a_probe_that_stands_here_no_more_is_not_judged() -> None:
    assert probe_fault.judge(a_snapshot(probes=(), sensors=[a_sensor(fault=NO_VALUES)])) == []
