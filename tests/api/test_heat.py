"""The heat report and the round over HTTP."""

from __future__ import annotations

import io
from typing import Any

import pytest
from pypdf import PdfReader
from starlette.testclient import TestClient

from shared.heat.report import HeatReport
from shared.times import DAY, HOUR, Millis, iso
from tests.api.conftest import BUILT, NOW, House


def steady_pile(client: TestClient, house: House, peg: str, celsius: float, hours: int) -> str:
    pile = house.pile(peg)
    house.hear(f"lance-{peg}", "45", [celsius] * (2 * hours + 1))
    sent = {"probe": f"lance-{peg}", "pile": pile.id, "from": iso(BUILT), "position": "middle"}
    assert client.post("/api/v1/placements", json=sent).status_code == 201
    return pile.id


def heat(client: TestClient, pile: str, at: str = "") -> dict[str, Any]:
    answer = client.get(f"/api/v1/piles/{pile}/heat" + (f"?at={at}" if at else ""))
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_the_hours_are_those_of_the_lines(house: House, manager: TestClient) -> None:
    pile = steady_pile(manager, house, "K-01", 57.0, 100)
    got = heat(manager, pile)
    assert got["hottest"]["hours_above"]["55"] == pytest.approx(100.0, abs=1e-4)
    assert got["hottest"]["hours_above"]["60"] == 0
    assert got["built_at"] == iso(BUILT)
    assert got["as_of"] == iso(NOW)
    assert got["pile"] == pile
    (sensor,) = got["sensors"]
    assert (sensor["readings"], sensor["last_c"], sensor["last_at"]) == (
        201,
        57.0,
        iso(Millis(BUILT + 100 * HOUR)),
    )


def test_a_past_instant_knows_nothing_of_what_came_later(house: House, manager: TestClient) -> None:
    pile = steady_pile(manager, house, "K-01", 57.0, 100)
    manager.post(f"/api/v1/piles/{pile}/turns", json={"at": iso(Millis(BUILT + 50 * HOUR))})
    then = heat(manager, pile, iso(Millis(BUILT + 10 * HOUR)))
    assert then["as_of"] == iso(Millis(BUILT + 10 * HOUR))
    assert then["hottest"]["hours_above"]["55"] == pytest.approx(10.0, abs=1e-4)
    assert then["turns"] == []
    assert len(heat(manager, pile)["turns"]) == 1


@pytest.mark.parametrize(
    "at",
    ["2026-11-26T06:00:00Z", "2026-11-25T06:00:00", "now", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00Z"],
)
def test_an_instant_that_cannot_be_is_refused(house: House, manager: TestClient, at: str) -> None:
    pile = steady_pile(manager, house, "K-01", 57.0, 10)
    assert manager.get(f"/api/v1/piles/{pile}/heat?at={at}").status_code == 422


def test_what_is_not_known_is_null_and_never_zero(house: House, manager: TestClient) -> None:
    got = heat(manager, house.pile().id)
    assert got["phase"] == "unknown"
    assert got["hottest"]["now_c"] is None
    assert got["hottest"]["peak_c"] is None


def test_the_answer_is_what_the_description_says(house: House, manager: TestClient) -> None:
    pile = steady_pile(manager, house, "K-01", 66.0, 100)
    got = heat(manager, pile)
    described = house.app.openapi()["components"]["schemas"]["HeatReport"]["properties"]
    assert set(got) == set(described)
    assert set(got) == set(HeatReport.model_fields)


def test_the_round_puts_the_most_pressing_first(house: House, manager: TestClient) -> None:
    calm = steady_pile(manager, house, "K-01", 30.0, 120)
    due = steady_pile(manager, house, "K-02", 57.0, 120)
    got = manager.get("/api/v1/round").json()["items"]
    assert [row["pile"] for row in got] == [due, calm]
    first = got[0]
    assert (first["peg"], first["need"], first["zone"]) == ("K-02", "now", "Europe/Dublin")
    assert first["act"]
    assert first["why"]
    assert first["figure"] == {"celsius": 57.0, "at": iso(NOW), "fresh": True}


def test_the_round_of_one_site(house: House, manager: TestClient) -> None:
    manager.post("/api/v1/sites", json={"slug": "low-meadow", "name": "Low Meadow", "zone": "UTC"})
    steady_pile(manager, house, "K-01", 57.0, 120)
    assert manager.get("/api/v1/round?site=low-meadow").json()["items"] == []
    assert len(manager.get("/api/v1/round?site=larkfield").json()["items"]) == 1
    assert manager.get("/api/v1/round?site=elsewhere").status_code == 422
    assert "°F" in manager.get("/api/v1/round?units=fahrenheit").json()["items"][0]["why"]


def test_a_reading_that_comes_late_is_in_the_next_answer(house: House, manager: TestClient) -> None:
    pile = steady_pile(manager, house, "K-01", 57.0, 10)
    before = heat(manager, pile)["hottest"]["hours_above"]["55"]
    house.hear("lance-K-01", "45", [57.0] * 3, start=Millis(BUILT + 10 * HOUR + 30 * 60_000))
    assert heat(manager, pile)["hottest"]["hours_above"]["55"] == pytest.approx(before + 1.5, abs=1e-4)


def test_a_finished_pile_keeps_its_report(house: House, manager: TestClient) -> None:
    pile = steady_pile(manager, house, "K-01", 57.0, 100)
    manager.post(f"/api/v1/piles/{pile}/finish", json={"at": iso(Millis(BUILT + 4 * DAY))})
    got = heat(manager, pile)
    assert got["phase"] == "finished"
    assert got["hottest"]["hours_above"]["55"] == pytest.approx(96.0, abs=1e-4)


def test_the_record_of_a_batch_comes_as_a_document(house: House, manager: TestClient) -> None:
    pile = steady_pile(manager, house, "K-01", 57.0, 100)
    answer = manager.get(f"/api/v1/piles/{pile}/report.pdf")
    assert answer.headers["Content-Type"] == "application/pdf"
    assert 'filename="larkfield-K-01-report.pdf"' in answer.headers["Content-Disposition"]
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(answer.content)).pages)
    assert "K-01" in text
    assert "Larkfield Yard" in text
    assert manager.get(f"/api/v1/piles/{pile}/report.pdf?paper=us-letter&units=fahrenheit").status_code == 200
    assert manager.get(f"/api/v1/piles/{pile}/report.pdf?paper=foolscap").status_code == 422


def test_a_document_is_there_before_the_first_reading(house: House, manager: TestClient) -> None:
    answer = manager.get(f"/api/v1/piles/{house.pile('<script>').id}/report.pdf")
    assert answer.status_code == 200
    assert answer.content.startswith(b"%PDF")
