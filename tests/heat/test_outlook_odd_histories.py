"""Histories as loggers give them: nothing breaks, every figure is finite, and what is not known is said."""

from __future__ import annotations

import numpy as np
import pytest

from shared.heat.catalogue import Catalogue
from shared.heat.compose import heat_report, report_of
from shared.heat.engine import PileHeat
from shared.heat.report import HeatReport
from shared.readings import Curve
from shared.times import DAY, HOUR, Millis
from tests.heat.asking import report
from tests.heat.piles import BUILT, GAP, facts, sensor

GUIDE = Catalogue.load().default_guide


def course(days: float, every_min: float, kind: str) -> Curve:
    """°C over ``days``: a pile that stands still, is cold, dies, swings with the sun, runs away, or jumps about."""
    hours = np.arange(0.0, days * 24.0, every_min / 60.0)
    rng = np.random.default_rng(len(hours))
    celsius = {
        "steady": np.full(len(hours), 58.0),
        "stuck at zero": np.zeros(len(hours)),
        "frozen": -8.0 + 3.0 * np.sin(hours / 24.0 * 2.0 * np.pi),
        "cold": 12.0 + 0.3 * rng.normal(size=len(hours)),
        "dies after heating": np.where(hours < 100, 20.0 + np.minimum(hours, 40.0), 15.0),
        "sun": 35.0 + 12.0 * np.sin(hours / 24.0 * 2.0 * np.pi),
        "runs away": np.minimum(30.0 + 0.25 * hours, 118.0),
        "jumps": rng.choice([18.0, 44.0, 71.0], len(hours)),
    }[kind]
    at = (BUILT + np.round(hours * HOUR)).astype(np.int64)
    return Curve(at, np.asarray(celsius, dtype=np.float64), np.zeros(len(at), dtype=np.uint8))


def without(whole: Curve, gone: np.ndarray) -> Curve:
    return Curve(whole.at[~gone], whole.value[~gone], whole.mark[~gone])


def sound(found: HeatReport) -> None:
    """Finite, in order, within what water and weather allow; or silent, with a reason."""
    if not found.outlook:
        assert found.outlook_note.startswith("Not known")
        return
    edges = np.array([(one.low, one.c, one.high) for one in found.outlook])
    assert np.isfinite(edges).all()
    assert (np.diff(edges, axis=1) >= 0).all()
    assert (np.abs(edges[:, 1] - edges[0, 1]) < 80).all()


KINDS = ("steady", "stuck at zero", "frozen", "cold", "dies after heating", "sun", "runs away", "jumps")


@pytest.mark.parametrize("kind", KINDS)
def test_one_hourly_sensor_of_any_kind_gives_a_sound_outlook(kind: str) -> None:
    whole = course(8, 60, kind)
    for hours in (20, 49, 120, 190):
        sound(report(without(whole, whole.at > BUILT + hours * HOUR), at=hours * HOUR))
    assert report(whole, at=191 * HOUR).outlook


def test_a_long_steady_series_gets_a_narrow_band() -> None:
    ahead = report(course(45, 60, "steady"), at=45 * DAY - HOUR).outlook
    day = next(one for one in ahead if one.at == ahead[0].at + 24 * HOUR)
    assert day.low <= 58.0 <= day.high
    assert day.high - day.low < 2.0


def test_gaps_of_hours_and_of_a_week_do_no_harm() -> None:
    whole = course(24, 30, "sun")
    hours = (whole.at - BUILT) / HOUR
    holes = ((hours % 24 > 15) & (hours % 24 < 22)) | ((hours > 200) & (hours < 368))
    for now in (199, 300, 371, 575):
        sound(report(without(whole, holes | (hours > now)), at=now * HOUR))
    assert "three hours" in report(without(whole, holes | (hours > 300)), at=300 * HOUR).outlook_note


def test_readings_too_rare_to_follow_are_not_called_an_outlook_beyond_what_is_known() -> None:
    for every_min in (240, 720):
        for hours in (60, 120, 200):
            sound(report(course(9, every_min, "sun"), at=hours * HOUR))


def test_a_late_stretch_gives_the_outlook_that_it_would_have_given_in_time() -> None:
    whole = course(9, 60, "dies after heating")
    late = (whole.at > BUILT + 60 * HOUR) & (whole.at < BUILT + 130 * HOUR)
    of, now = facts(turns=[5 * DAY]), Millis(BUILT + 9 * DAY - HOUR)
    heat = PileHeat(of, GAP)
    key = sensor()
    heat.put(key, whole.at[~late], whole.value[~late])
    for hours in (50, 140, 200):
        report_of(heat, Millis(BUILT + hours * HOUR), GUIDE, [])
    heat.put(key, whole.at[late], whole.value[late])
    assert report_of(heat, now, GUIDE, []) == heat_report(of, {key: whole}, now, GUIDE, [], GAP)
