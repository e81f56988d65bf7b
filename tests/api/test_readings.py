"""The readings of a pile as a chart wants them, and as a file."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient

from shared.heat.compose import heat_report
from shared.heat.facts import PileFacts
from shared.piles import Placement, Site
from shared.probes import Calibration
from shared.reading_files import read_readings
from shared.readings import ArrivalMark, Reading, SensorKey
from shared.times import HOUR, MINUTE, Millis, Span, iso
from tests.api.conftest import BUILT, NOW, House


def placed(house: House, probe: str = "lance-1", *, end: Millis | None = None) -> str:
    pile = house.pile()
    house.parts.registry.probes.place(
        Placement(f"place-{probe}", "larkfield", probe, pile.id, Span(BUILT, end), "middle")
    )
    return f"/api/v1/piles/{pile.id}"


def readings(client: TestClient, address: str) -> list[dict[str, Any]]:
    answer = client.get(address)
    assert answer.status_code == 200, answer.text
    found: list[dict[str, Any]] = answer.json()["sensors"]
    return found


def test_each_sensor_has_its_own_arrays(house: House, viewer: TestClient) -> None:
    house.hear("lance-1", "15", [40.0, 41.0])
    house.hear("lance-1", "45", [50.0, 51.5])
    first, second = readings(viewer, f"{placed(house)}/readings")
    assert (first["depth_cm"], second["depth_cm"]) == (15.0, 45.0)
    assert second == {
        "probe": "lance-1",
        "depth_cm": 45.0,
        "level": None,
        "position": "middle",
        "zone": "core",
        "placement": "place-lance-1",
        "total": 2,
        "at": [iso(BUILT), iso(Millis(BUILT + 30 * MINUTE))],
        "celsius": [50.0, 51.5],
        "suspect": [None, None],
        "gaps": [],
    }


def test_suspect_readings_are_shown_with_their_reason(house: House, viewer: TestClient) -> None:
    house.hear("lance-1", "45", [50.0, 50.0, 85.0, 50.0, -127.0, 50.0])
    (sensor,) = readings(viewer, f"{placed(house)}/readings")
    assert sensor["celsius"] == [50.0, 50.0, 85.0, 50.0, -127.0, 50.0]
    assert sensor["suspect"] == [None, None, "lone_85", None, "sentinel", None]


def test_only_what_was_read_while_the_probe_stood_there_is_the_piles(
    house: House, viewer: TestClient
) -> None:
    house.hear("lance-1", "45", [20.0, *[50.0] * 4], start=Millis(BUILT - 30 * MINUTE))
    (sensor,) = readings(viewer, f"{placed(house, end=Millis(BUILT + HOUR))}/readings")
    assert sensor["celsius"] == [50.0, 50.0]


def test_a_stretch_of_time_is_closed_left_and_open_right(house: House, viewer: TestClient) -> None:
    house.hear("lance-1", "45", [50.0, 51.0, 52.0, 53.0])
    address = f"{placed(house)}/readings"
    start, end = iso(Millis(BUILT + 30 * MINUTE)), iso(Millis(BUILT + 90 * MINUTE))
    (sensor,) = readings(viewer, f"{address}?from={start}&to={end}")
    assert sensor["celsius"] == [51.0, 52.0]
    shifted = "2026-11-20T07:30:00+01:00"  # the + arrives as a space
    (sensor,) = readings(viewer, f"{address}?from={shifted}")
    assert sensor["celsius"] == [51.0, 52.0, 53.0]
    assert viewer.get(f"{address}?from={end}&to={start}").status_code == 422
    assert viewer.get(f"{address}?from=2026-11-20T06:00:00").status_code == 422


def test_few_points_keep_the_peak(house: House, viewer: TestClient) -> None:
    values = [50.0 + (index % 7) * 0.1 for index in range(2_000)]
    values[1_234:1_239] = [60.0, 66.0, 71.3, 66.0, 60.0]
    house.hear("lance-1", "45", values, step_ms=3 * MINUTE)
    address = f"{placed(house)}/readings"
    (sensor,) = readings(viewer, f"{address}?points=40")
    assert len(sensor["at"]) <= 40
    assert sensor["total"] == 2_000
    assert max(sensor["celsius"]) == 71.3
    assert len(sensor["at"]) == len(sensor["celsius"]) == len(sensor["suspect"])
    assert sensor["at"] == sorted(sensor["at"])
    (whole,) = readings(viewer, f"{address}?points=2000")
    assert whole["celsius"] == values
    for points in ("0", "-3", "many"):
        assert viewer.get(f"{address}?points={points}").status_code == 422


def test_gaps_are_named_where_nothing_is_known(house: House, viewer: TestClient) -> None:
    house.hear("lance-1", "45", [50.0, 51.0])
    house.hear("lance-1", "45", [52.0], start=Millis(BUILT + 10 * HOUR))
    (sensor,) = readings(viewer, f"{placed(house)}/readings")
    assert sensor["gaps"] == [[iso(Millis(BUILT + 30 * MINUTE)), iso(Millis(BUILT + 10 * HOUR))]]


def rows(client: TestClient, address: str) -> list[list[str]]:
    answer = client.get(f"{address}/readings.csv")
    assert answer.status_code == 200
    assert answer.headers["Content-Type"].startswith("text/csv")
    assert "attachment" in answer.headers["Content-Disposition"]
    return list(csv.reader(io.StringIO(answer.text)))


def test_the_file_is_in_the_long_format(house: House, viewer: TestClient) -> None:
    house.hear("lance-1", "15", [40.25])
    house.hear("lance-1", "45", [50.0, 85.0, 50.0])
    assert rows(viewer, placed(house)) == [
        ["time", "probe", "depth_cm", "celsius"],
        ["2026-11-20T06:00:00Z", "lance-1", "15", "40.25"],
        ["2026-11-20T06:00:00Z", "lance-1", "45", "50"],
        ["2026-11-20T06:30:00Z", "lance-1", "45", "85"],
        ["2026-11-20T07:00:00Z", "lance-1", "45", "50"],
    ]


def test_a_level_stands_where_there_is_no_depth(house: House, viewer: TestClient) -> None:
    house.hear("lance-1", "middle", [50.0])
    assert rows(viewer, placed(house)) == [
        ["time", "probe", "level", "celsius"],
        ["2026-11-20T06:00:00Z", "lance-1", "middle", "50"],
    ]


@pytest.mark.parametrize("name", ["-lance", "--cmd"])
def test_a_cell_that_would_be_a_formula_is_made_text(house: House, viewer: TestClient, name: str) -> None:
    house.hear(name, "=1+1", [50.0])
    assert rows(viewer, placed(house, name))[1][1:3] == [f"'{name}", "'=1+1"]


def test_a_cold_reading_stays_a_number(house: House, viewer: TestClient) -> None:
    house.hear("lance-1", "45", [-4.5])
    assert rows(viewer, placed(house))[1][3] == "-4.5"


def test_the_file_gives_the_hours_of_the_report(house: House, viewer: TestClient, tmp_path: Path) -> None:
    chance = np.random.default_rng(7)
    for depth in ("15", "45"):
        values = (58.0 + np.cumsum(chance.normal(0, 0.4, 230))).tolist()
        values[50], values[120] = 85.0, -127.0
        del values[60:70]
        house.hear("lance-1", depth, values)
    address = placed(house)
    house.parts.registry.probes.calibrate(
        Calibration("cal-1", "larkfield", "lance-1", "45", 1.0 / 3.0, Millis(BUILT + 12 * HOUR))
    )
    file = tmp_path / "record.csv"
    file.write_bytes(viewer.get(f"{address}/readings.csv").content)
    facts = PileFacts(
        house.parts.registry.piles.get("pile-K-01"), tuple(house.parts.registry.probes.placements())
    )
    curves = read_readings(file, site="larkfield").curves
    catalogue = house.parts.catalogue
    again = heat_report(facts, curves, NOW, catalogue.default_guide, [], house.parts.settings.max_gap_ms)
    told = viewer.get(f"{address}/heat").json()
    for mine, theirs in zip(told["sensors"], again.sensors, strict=True):
        assert mine["hours_above"] == pytest.approx(dict(theirs.hours_above), abs=1e-6)
        assert (mine["readings"], mine["suspect"]) == (theirs.readings, theirs.suspect)
    assert told["coldest"]["hours_above"] == pytest.approx(dict(again.coldest.hours_above), abs=1e-6)


def test_a_retained_message_of_unknown_age_is_shown_but_not_in_the_file(
    house: House, viewer: TestClient
) -> None:
    house.hear("lance-1", "45", [50.0])
    later = Millis(BUILT + HOUR)
    house.parts.readings.append(
        [Reading(SensorKey("larkfield", "lance-1", "45"), later, 60.0, later, ArrivalMark.STALE)]
    )
    address = placed(house)
    (sensor,) = readings(viewer, f"{address}/readings")
    assert sensor["suspect"] == [None, "stale"]
    assert len(rows(viewer, address)) == 2


def test_a_long_record_is_streamed_whole(house: House, viewer: TestClient) -> None:
    house.hear("lance-1", "45", [50.0] * 12_000, step_ms=MINUTE)
    found = rows(viewer, placed(house))
    assert len(found) == 12_001
    assert found[-1][0] == iso(Millis(BUILT + 11_999 * MINUTE))


def test_other_sites_probes_of_the_same_name_stay_apart(house: House, viewer: TestClient) -> None:
    house.parts.registry.sites.add(Site("other", "Other", "UTC"))
    house.parts.readings.append(
        [Reading(SensorKey("other", "lance-1", "45"), BUILT, 11.0, BUILT, ArrivalMark.NONE)]
    )
    house.hear("lance-1", "45", [50.0])
    (sensor,) = readings(viewer, f"{placed(house)}/readings")
    assert sensor["celsius"] == [50.0]
