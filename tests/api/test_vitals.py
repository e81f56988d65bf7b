"""Battery and signal of a probe, as curves and as a picture."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from shared.readings import ArrivalMark, Quantity, Reading, SensorKey
from shared.times import DAY, HOUR, Millis, iso
from tests.api.conftest import NOW, House


def hear(house: House, quantity: Quantity, values: list[float], mark: ArrivalMark = ArrivalMark.NONE) -> None:
    key = SensorKey("larkfield", "lance-1", "", quantity)
    at = [Millis(NOW - (len(values) - n) * HOUR) for n in range(len(values))]
    house.parts.readings.append(
        [Reading(key, instant, value, NOW, mark) for instant, value in zip(at, values, strict=True)]
    )


@pytest.fixture
def probe(house: House) -> str:
    house.parts.registry.probes.heard("larkfield", "lance-1", NOW, {"battery_percent": 88.0})
    held = house.parts.registry.probes.named("larkfield", "lance-1")
    assert held is not None
    return held.id


def test_what_the_probe_told_comes_as_curves(house: House, viewer: TestClient, probe: str) -> None:
    hear(house, "battery_percent", [90.0, 89.0, 88.0])
    hear(house, "rssi", [-80.0, -91.0])
    answer = viewer.get(f"/api/v1/probes/{probe}/vitals").json()
    assert answer["probe"] == "lance-1"
    assert [(one["quantity"], one["value"]) for one in answer["curves"]] == [
        ("battery_percent", [90.0, 89.0, 88.0]),
        ("rssi", [-80.0, -91.0]),
    ]
    assert answer["curves"][0]["at"][-1] == iso(Millis(NOW - HOUR))
    late = viewer.get(f"/api/v1/probes/{probe}/vitals", params={"from": iso(Millis(NOW - HOUR))}).json()
    assert [one["value"] for one in late["curves"]] == [[88.0], [-91.0]]


def test_many_are_thinned_and_keep_the_lowest(house: House, viewer: TestClient, probe: str) -> None:
    hear(house, "battery_percent", [80.0] * 200 + [12.0] + [80.0] * 200)
    (curve,) = viewer.get(f"/api/v1/probes/{probe}/vitals", params={"points": 20}).json()["curves"]
    assert curve["total"] == 401
    assert len(curve["at"]) == len(curve["value"]) <= 20
    assert min(curve["value"]) == 12.0


def test_what_is_out_of_range_is_left_out(house: House, viewer: TestClient, probe: str) -> None:
    hear(house, "battery_percent", [300.0], ArrivalMark.OUT_OF_RANGE)
    assert viewer.get(f"/api/v1/probes/{probe}/vitals").json()["curves"] == []


def test_the_picture_says_its_figures_in_words_too(house: House, viewer: TestClient, probe: str) -> None:
    hear(house, "battery_percent", [90.0, 89.0, 88.0])
    answer = viewer.get(f"/probes/{probe}/vitals.svg")
    assert answer.headers["content-type"].startswith("image/svg+xml")
    assert "Battery, 30 days: 88 to 90 %" in answer.text
    assert "<polyline" in answer.text
    house.clock.ahead(40 * DAY)
    assert "nothing told in the last 30 days" in viewer.get(f"/probes/{probe}/vitals.svg").text
    assert viewer.get("/probes/nobody/vitals.svg").status_code == 404
