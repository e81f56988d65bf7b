"""One recorded heap: J. N. Kamp and A. Feilberg, Aarhus University, data to "Ammonia, methane, and nitrous oxide
emissions from stockpiled broiler litter" (2024), CC BY 4.0; the figures are those of the data's own description
(straight lines between samples, gaps over 3 h not counted), to a twentieth of an hour."""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path

import pytest

from shared.heat.report import HeatReport
from shared.readings import Curve, SensorKey
from shared.times import MINUTE, parse_time
from tests.heat.asking import report
from tests.heat.piles import BUILT, curve, facts, placed, sensor

FILE = Path(__file__).parents[1] / "cases" / "broiler-litter-2023" / "pile_temperatures.csv"
ABOVE_55_H = {("place-B", "middle"): 113.3, ("place-A", "middle"): 173.3, ("place-C", "middle"): 6.8, ("place-C", "top"): 2.2}  # fmt: skip


@pytest.fixture(scope="module")
def series() -> dict[SensorKey, Curve]:
    rows: dict[tuple[str, str], list[tuple[int, float]]] = defaultdict(list)
    with FILE.open(newline="") as lines:
        for row in csv.DictReader(lines):
            at = parse_time(row["time"]) - parse_time("2023-08-29T09:30:00+02:00")
            rows[row["probe"], row["level"]].append((at, float(row["celsius"])))
    return {sensor(level, probe): curve(found) for (probe, level), found in rows.items()}


@pytest.fixture(scope="module")
def found(series: dict[SensorKey, Curve]) -> HeatReport:
    return report(series, facts([placed(name) for name in ("place-A", "place-B", "place-C")]))


def test_hours_over_55_are_those_published_with_the_series(found: HeatReport) -> None:
    for one in found.sensors:
        assert one.level is not None
        wanted = ABOVE_55_H.get((one.probe, one.level), 0.0)
        assert one.hours_above["55"] == pytest.approx(wanted, abs=0.055)


def test_the_peak_is_59_degrees_in_the_middle_of_place_b(found: HeatReport) -> None:
    assert found.hottest.peak_c == pytest.approx(59.0, abs=0.05)
    best = max(found.sensors, key=lambda one: one.peak_c or 0)
    assert (best.probe, best.level) == ("place-B", "middle")


def test_nothing_is_marked_although_the_top_swings_with_the_sun(found: HeatReport) -> None:
    assert sum(one.suspect for one in found.sensors) == 0
    assert sum(one.readings for one in found.sensors) == 10912


def test_the_hours_need_no_line_longer_than_the_hour(
    series: dict[SensorKey, Curve], found: HeatReport
) -> None:
    strict = report(
        series, facts([placed(name) for name in ("place-A", "place-B", "place-C")]), max_gap_ms=60 * MINUTE
    )
    for one, other in zip(found.sensors, strict.sensors, strict=True):
        assert one.hours_above == other.hours_above


def test_sensors_that_died_leave_the_coldest_unknown_from_then_on(found: HeatReport) -> None:
    died = next(one for one in found.sensors if (one.probe, one.level) == ("place-B", "middle"))
    assert (
        died.last_at
        == parse_time("2023-09-09T04:00:00+02:00")
        - parse_time("2023-08-29T09:30:00+02:00")
        + BUILT
        - 60 * MINUTE
    )
    assert found.coldest.now_c is None
    assert found.coldest.peak_at is not None
    assert died.last_at is not None
    assert found.coldest.peak_at <= died.last_at
