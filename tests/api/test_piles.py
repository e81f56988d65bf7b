"""Sites and piles over HTTP."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from shared.times import DAY, Millis, iso
from tests.api.conftest import BUILT, NOW, SITE, House

NEW = {"site": "larkfield", "peg": "K-01", "built_at": "2026-11-20T06:00:00Z"}


def test_a_pile_is_answered_as_it_was_sent(manager: TestClient) -> None:
    sent = {
        **NEW, "volume_l": 1200.5, "kind": "caged", "rule_ids": ["three-turns"], "mix": {"goal": {"moisture_percent": 55}},
    }  # fmt: skip
    answer = manager.post("/api/v1/piles", json=sent)
    assert answer.status_code == 201
    made = answer.json()
    assert {name: made[name] for name in sent} == sent
    assert made["open"] is True
    assert made["finished_at"] is None
    assert manager.get(f"/api/v1/piles/{made['id']}").json() == made


def test_any_offset_goes_in_and_utc_comes_out(manager: TestClient) -> None:
    made = manager.post("/api/v1/piles", json={**NEW, "built_at": "2026-11-20T07:30:00+01:30"}).json()
    assert made["built_at"] == "2026-11-20T06:00:00Z"


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"built_at": "2026-11-20T06:00:00"}, "body.built_at"),
        ({"built_at": "yesterday"}, "body.built_at"),
        ({"built_at": 1763618400}, "body.built_at"),
        ({"built_at": "2026-11-26T06:00:00Z"}, "body.built_at"),
        ({"built_at": "9999-12-31T23:59:59-12:00"}, "body.built_at"),
        ({"built_at": "0001-01-01T00:00:00+14:00"}, "body.built_at"),
        ({"peg": ""}, "body.peg"),
        ({"peg": "K\u0000"}, "body.peg"),
        ({"peg": "K-01\nK-02"}, "body.peg"),
        ({"peg": "K" * 121}, "body.peg"),
        ({"site": "elsewhere"}, "body.site"),
        ({"volume_l": -1}, "body.volume_l"),
        ({"volume_l": "1e999"}, "body.volume_l"),
        ({"rule_ids": ["no-such-rule"]}, "body.rule_ids"),
        ({"guide_id": "no-such-guide"}, "body.guide_id"),
        ({"colour": "brown"}, "body.colour"),
    ],
)
def test_a_pile_that_cannot_be_is_refused_at_the_field(
    manager: TestClient, change: dict[str, object], where: str
) -> None:
    answer = manager.post("/api/v1/piles", json={**NEW, **change})
    assert answer.status_code == 422
    assert [fault["where"] for fault in answer.json()["errors"]] == [where]
    assert manager.get("/api/v1/piles").json()["items"] == []


def test_a_peg_serves_one_open_pile_at_a_time(manager: TestClient) -> None:
    first = manager.post("/api/v1/piles", json=NEW).json()
    again = manager.post("/api/v1/piles", json=NEW)
    assert again.status_code == 409
    assert "K-01" in again.json()["detail"]
    manager.post(f"/api/v1/piles/{first['id']}/finish", json={"at": "2026-11-24T06:00:00Z"})
    assert manager.post("/api/v1/piles", json=NEW).status_code == 201


def test_a_pile_is_found_by_site_and_peg(house: House, manager: TestClient) -> None:
    pile = house.pile("K-01")
    assert manager.get("/api/v1/piles/larkfield:K-01").json()["id"] == pile.id
    assert manager.get("/api/v1/piles/larkfield:K-02").status_code == 404


def test_lists_are_cut_by_site_peg_and_state(house: House, manager: TestClient) -> None:
    house.pile("K-01", finished_at=NOW)
    house.pile("K-02")
    found = {
        query: [pile["peg"] for pile in manager.get(f"/api/v1/piles{query}").json()["items"]]
        for query in ("", "?open=true", "?open=false", "?site=larkfield", "?site=elsewhere", "?peg=K-02")
    }
    assert found == {
        "": ["K-01", "K-02"],
        "?open=true": ["K-02"],
        "?open=false": ["K-01"],
        "?site=larkfield": ["K-01", "K-02"],
        "?site=elsewhere": [],
        "?peg=K-02": ["K-02"],
    }


def test_only_the_fields_that_are_sent_change(house: House, manager: TestClient) -> None:
    pile = house.pile(volume_l=900.0, kind="windrow", rule_ids=("three-turns",))
    changed = manager.patch(f"/api/v1/piles/{pile.id}", json={"kind": None, "peg": "K-09"}).json()
    assert (changed["peg"], changed["kind"], changed["volume_l"]) == ("K-09", None, 900.0)
    assert changed["rule_ids"] == ["three-turns"]
    assert manager.patch(f"/api/v1/piles/{pile.id}", json={}).json() == changed


def test_what_a_pile_must_have_cannot_be_taken_away(house: House, manager: TestClient) -> None:
    pile = house.pile()
    for name in ("peg", "built_at", "rule_ids"):
        assert manager.patch(f"/api/v1/piles/{pile.id}", json={name: None}).status_code == 422
    assert manager.patch(f"/api/v1/piles/{pile.id}", json={"id": "other"}).status_code == 422


def test_finishing_frees_the_probes(house: House, manager: TestClient) -> None:
    first, second = house.pile("K-01"), house.pile("K-02")
    placed = {"probe": "lance-1", "from": iso(BUILT), "position": "middle"}
    placement = manager.post("/api/v1/placements", json={**placed, "pile": first.id}).json()
    done = manager.post(f"/api/v1/piles/{first.id}/finish", json={"at": "2026-11-24T06:00:00Z"})
    assert done.json()["open"] is False
    assert manager.get(f"/api/v1/placements/{placement['id']}").json()["to"] == "2026-11-24T06:00:00Z"
    moved = manager.post(
        "/api/v1/placements", json={**placed, "pile": second.id, "from": "2026-11-24T06:00:00Z"}
    )
    assert moved.status_code == 201


def test_finishing_again_says_the_same_or_is_refused(house: House, manager: TestClient) -> None:
    pile = house.pile()
    address = f"/api/v1/piles/{pile.id}/finish"
    first = manager.post(address, json={"at": "2026-11-24T06:00:00Z"})
    assert manager.post(address, json={"at": "2026-11-24T06:00:00Z"}).json() == first.json()
    assert manager.post(address, json={"at": "2026-11-24T07:00:00Z"}).status_code == 409


def test_a_pile_is_not_finished_before_it_was_built_or_a_probe_came(
    house: House, manager: TestClient
) -> None:
    pile = house.pile()
    address = f"/api/v1/piles/{pile.id}/finish"
    assert manager.post(address, json={"at": iso(Millis(BUILT - DAY))}).status_code == 422
    assert manager.post(address, json={"at": iso(Millis(NOW + DAY))}).status_code == 422
    later = {"probe": "lance-1", "pile": pile.id, "from": iso(Millis(NOW - DAY)), "position": "middle"}
    manager.post("/api/v1/placements", json=later)
    refused = manager.post(address, json={"at": iso(Millis(NOW - 2 * DAY))})
    assert refused.status_code == 409
    assert "lance-1" in refused.json()["detail"]
    assert manager.get(f"/api/v1/piles/{pile.id}").json()["open"] is True


def test_a_finished_pile_can_be_opened_again_unless_its_peg_is_taken(
    house: House, manager: TestClient
) -> None:
    pile = house.pile("K-01", finished_at=NOW)
    assert manager.patch(f"/api/v1/piles/{pile.id}", json={"finished_at": None}).json()["open"] is True
    manager.post(f"/api/v1/piles/{pile.id}/finish", json={"at": iso(NOW)})
    house.parts.registry.piles.change(pile.id, peg="K-02")
    house.pile("K-02")
    assert manager.patch(f"/api/v1/piles/{pile.id}", json={"finished_at": None}).status_code == 409


def test_a_site_is_made_once(manager: TestClient) -> None:
    new = {"slug": "low-meadow", "name": "Low Meadow", "zone": "Australia/Lord_Howe"}
    assert manager.post("/api/v1/sites", json=new).json() == new
    assert manager.post("/api/v1/sites", json=new).status_code == 409
    assert manager.get("/api/v1/sites/low-meadow").json() == new
    assert [site["slug"] for site in manager.get("/api/v1/sites").json()["items"]] == [
        "larkfield",
        "low-meadow",
    ]


@pytest.mark.parametrize(
    "change",
    [
        {"zone": "Mars/Olympus"},
        {"zone": "../../etc/passwd"},
        {"slug": "a b"},
        {"slug": "x" * 65},
        {"name": " "},
    ],
)
def test_a_site_that_cannot_be_is_refused(manager: TestClient, change: dict[str, str]) -> None:
    new = {"slug": "low-meadow", "name": "Low Meadow", "zone": "Europe/Dublin", **change}
    assert manager.post("/api/v1/sites", json=new).status_code == 422


def test_a_slip_in_the_form_of_a_new_pile_keeps_what_was_typed(manager: TestClient) -> None:
    form = {"site": SITE.slug, "peg": "K-09", "kind": "caged", "volume_l": "much"}
    answer = manager.post("/piles", data=form, headers={"Accept": "text/html"}, follow_redirects=False)
    assert answer.status_code == 422
    assert 'value="K-09"' in answer.text
    assert 'id="slip-volume_l"' in answer.text
    right = manager.post("/piles", data=form | {"volume_l": "900"}, follow_redirects=False)
    assert right.status_code == 303
    again = manager.post("/piles", data=form | {"volume_l": "900"}, follow_redirects=False)
    assert again.status_code == 409
    assert 'id="slip-peg"' in again.text
