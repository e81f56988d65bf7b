"""What is said of the hours ahead, and when nothing is said. Long tables: ``make evaluate``."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from shared.heat.report import HeatReport
from shared.readings import Curve, SensorKey
from shared.times import HOUR, MINUTE
from tests.heat.asking import report
from tests.heat.piles import BUILT, facts, sensor

Course = Callable[[np.ndarray], np.ndarray]  # °C of hours since the build


def heard(course: Course, hours: float, every_min: int = 10, start_h: float = 0) -> Curve:
    at_h = np.arange(start_h, hours + 1e-9, every_min / 60)
    at = (BUILT + np.round(at_h * HOUR)).astype(np.int64)
    noise = 0.05 * np.sin(np.arange(len(at)) * 1.7)
    return Curve(at, course(at_h) + noise, np.zeros(len(at), dtype=np.uint8))


def cooling(at_h: np.ndarray) -> np.ndarray:
    return 68.0 - 0.1 * at_h


def warming(at_h: np.ndarray) -> np.ndarray:
    return 66.0 - 50.0 * np.exp(-at_h / 30.0)


def said(found: HeatReport, hours: float) -> tuple[float, float, float]:
    """Low, middle and high so many hours ahead."""
    (point,) = [one for one in found.outlook if one.at == found.as_of + round(hours * HOUR)]
    return point.low, point.c, point.high


def test_in_the_first_48_hours_it_says_that_it_does_not_know() -> None:
    found = report(heard(warming, 47))
    assert found.outlook == []
    assert "first 48 hours" in found.outlook_note


def test_a_steady_fall_goes_on_within_the_band() -> None:
    found = report(heard(cooling, 120))
    for hours in (6, 12, 24):
        low, middle, high = said(found, hours)
        truth = float(cooling(np.array([120.0 + hours]))[0])
        assert low <= truth <= high
        assert abs(middle - truth) < 1.0
    assert said(found, 48)[2] - said(found, 48)[0] > said(found, 6)[2] - said(found, 6)[0]


def test_silence_of_three_hours_ends_it() -> None:
    assert report(heard(cooling, 120), at=round(122 * HOUR)).outlook
    found = report(heard(cooling, 120), at=round(124 * HOUR))
    assert found.outlook == []
    assert "three hours" in found.outlook_note


def test_it_begins_anew_at_a_turn() -> None:
    def turned(at_h: np.ndarray) -> np.ndarray:
        return np.where(at_h <= 96, 66.0, 66.0 - 18.0 * np.exp(-(at_h - 96) / 12.0))

    of = facts(turns=[96 * HOUR])
    assert report(heard(turned, 97), of, at=97 * HOUR).outlook == []
    low, middle, high = said(report(heard(turned, 106), of), 12)
    assert middle > float(turned(np.array([106.0]))[0]), "a pile that climbs back is seen to go on climbing"
    assert low < middle < high


def test_a_hottest_sensor_that_dies_does_not_drag_the_outlook_along() -> None:
    curves: dict[SensorKey, Curve] = {
        sensor(60): heard(cooling, 120, 60),
        sensor(20): heard(lambda at_h: np.full(len(at_h), 30.0), 200, 60),
    }
    found = report(curves, at=160 * HOUR)
    low, middle, high = said(found, 24)
    assert abs(middle - 30.0) < 2.0
    assert high - low < 12.0


def test_a_crossing_is_told_to_the_hour_or_not_at_all() -> None:
    found = report(heard(lambda at_h: 56.2 - 0.2 * (at_h - 120), 120))
    crossings = {one.threshold: one for one in found.crossings}
    assert crossings or "55 °C" in found.outlook_note
    for one in found.crossings:
        assert one.low is not None
        assert one.high is not None
        assert one.low <= one.at <= one.high
        assert one.high - one.low <= 12 * HOUR


def test_the_due_time_lies_between_its_earliest_and_latest() -> None:
    turn = report(heard(lambda at_h: np.minimum(61.0, 20.0 + at_h), 60, 30)).turn
    assert turn.due_at is not None
    assert turn.earliest is not None
    assert turn.earliest <= turn.due_at
    assert turn.latest is None or turn.latest >= turn.due_at
    assert turn.why == "as the outlook goes"


def test_a_pile_below_every_rung_is_not_due_while_it_stays_there() -> None:
    assert report(heard(lambda at_h: np.full(len(at_h), 42.0), 120, 30)).turn.due_at is None


def test_half_hourly_and_hourly_readings_do_too() -> None:
    for every_min in (30, 60):
        middle = said(report(heard(cooling, 120, every_min)), 24)[1]
        assert abs(middle - float(cooling(np.array([144.0]))[0])) < 1.2
        assert every_min * MINUTE <= HOUR
