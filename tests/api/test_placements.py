"""Probes and where they stand."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from shared.times import DAY, HOUR, Millis, iso
from tests.api.conftest import BUILT, NOW, House


def place(client: TestClient, pile: str, **changes: Any) -> Any:
    sent = {"probe": "lance-1", "pile": pile, "from": iso(BUILT), "position": "middle", **changes}
    return client.post("/api/v1/placements", json=sent)


def test_a_probe_may_be_placed_before_it_has_spoken(house: House, manager: TestClient) -> None:
    answer = place(manager, house.pile().id)
    assert answer.status_code == 201
    assert answer.json() == {
        "id": answer.json()["id"],
        "site": "larkfield",
        "probe": "lance-1",
        "pile": "pile-K-01",
        "from": iso(BUILT),
        "to": None,
        "position": "middle",
        "zone": "core",
    }
    (probe,) = manager.get("/api/v1/probes").json()["items"]
    assert (probe["name"], probe["unplaced"], probe["last_heard_at"]) == ("lance-1", False, None)


def test_a_probe_that_nobody_placed_waits_in_sight(house: House, manager: TestClient) -> None:
    house.hear("lance-7", "45", [50.0, 51.0, 52.5])
    (probe,) = manager.get("/api/v1/probes?unplaced=true").json()["items"]
    assert (probe["name"], probe["unplaced"], probe["readings"]) == ("lance-7", True, 3)
    (sensor,) = probe["sensors"]
    assert (sensor["depth_cm"], sensor["quantity"], sensor["last_value"]) == (45.0, "temperature", 52.5)
    place(manager, house.pile().id, probe="lance-7")
    assert manager.get("/api/v1/probes?unplaced=true").json()["items"] == []


def test_placed_after_the_fact_its_old_readings_belong_to_the_pile(house: House, manager: TestClient) -> None:
    house.hear("lance-7", "45", [50.0] * 10)
    pile = house.pile()
    assert manager.get(f"/api/v1/piles/{pile.id}/readings").json()["sensors"] == []
    place(manager, pile.id, probe="lance-7")
    (sensor,) = manager.get(f"/api/v1/piles/{pile.id}/readings").json()["sensors"]
    assert sensor["celsius"] == [50.0] * 10


def test_a_probe_is_never_in_two_piles_at_once(house: House, manager: TestClient) -> None:
    first, second = house.pile("K-01"), house.pile("K-02")
    place(manager, first.id, to=iso(Millis(BUILT + DAY)))
    assert place(manager, second.id).status_code == 409
    assert place(manager, second.id, **{"from": iso(Millis(BUILT + DAY - 1))}).status_code == 409
    assert place(manager, second.id, **{"from": iso(Millis(BUILT + DAY))}).status_code == 201


def test_a_refused_placement_leaves_no_probe_behind(house: House, manager: TestClient) -> None:
    house.pile("K-01")
    assert place(manager, "no-such-pile", probe="lance-9").status_code == 422
    assert place(manager, "pile-K-01", probe="lance-9", to=iso(Millis(BUILT - DAY))).status_code == 422
    assert manager.get("/api/v1/probes").json()["items"] == []


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"probe": "lance/1"}, "body.probe"),
        ({"probe": "+"}, "body.probe"),
        ({"zone": "heart"}, "body.zone"),
        ({"from": "2026-11-26T06:00:00Z"}, "body.from"),
        ({"from": "2026-11-20"}, "body.from"),
        ({"position": None}, "body.position"),
    ],
)
def test_a_placement_that_cannot_be_is_refused_at_the_field(
    house: House, manager: TestClient, change: dict[str, Any], where: str
) -> None:
    answer = place(manager, house.pile().id, **change)
    assert answer.status_code == 422
    assert [fault["where"] for fault in answer.json()["errors"]] == [where]


def test_a_placement_is_corrected_after_the_fact(house: House, manager: TestClient) -> None:
    first, second = house.pile("K-01"), house.pile("K-02")
    house.hear("lance-1", "45", [50.0] * 10)
    made = place(manager, first.id).json()
    address = f"/api/v1/placements/{made['id']}"
    moved = manager.patch(address, json={"pile": "larkfield:K-02", "zone": "edge"}).json()
    assert (moved["pile"], moved["zone"], moved["from"]) == (second.id, "edge", made["from"])
    assert manager.get(f"/api/v1/piles/{first.id}/readings").json()["sensors"] == []
    (sensor,) = manager.get(f"/api/v1/piles/{second.id}/readings").json()["sensors"]
    assert (sensor["total"], sensor["zone"]) == (10, "edge")
    ended = manager.patch(address, json={"to": iso(Millis(BUILT + HOUR))}).json()
    assert ended["to"] == iso(Millis(BUILT + HOUR))
    assert manager.patch(address, json={"from": iso(Millis(BUILT + 2 * HOUR))}).status_code == 422
    assert manager.patch(address, json={"to": None}).json()["to"] is None
    assert manager.patch(address, json={"from": None}).status_code == 422


def test_a_correction_may_not_overlap_either(house: House, manager: TestClient) -> None:
    pile = house.pile()
    first = place(manager, pile.id, to=iso(Millis(BUILT + DAY))).json()
    place(manager, pile.id, **{"from": iso(Millis(BUILT + DAY))})
    answer = manager.patch(f"/api/v1/placements/{first['id']}", json={"to": None})
    assert answer.status_code == 409
    assert manager.get(f"/api/v1/placements/{first['id']}").json() == first


def spans(manager: TestClient) -> list[tuple[str, str, str | None]]:
    found = manager.get("/api/v1/placements?probe=lance-1").json()["items"]
    return [(one["pile"], one["from"], one["to"]) for one in found]


def later(hours: int) -> str:
    return iso(Millis(BUILT + hours * HOUR))


def test_a_corrected_move_takes_the_end_in_the_other_pile_along(house: House, manager: TestClient) -> None:
    first, second = house.pile("K-01"), house.pile("K-02")
    place(manager, first.id, to=later(4))
    moved = place(manager, second.id, **{"from": later(4)}).json()
    address = f"/api/v1/placements/{moved['id']}"
    for hours in (2, 6):
        assert manager.patch(address, json={"from": later(hours)}).json()["from"] == later(hours)
        assert spans(manager) == [(first.id, later(0), later(hours)), (second.id, later(hours), None)]
    manager.patch(address, json={"position": "edge"})
    manager.patch(address, json={"probe": "lance-2", "from": later(8)})
    assert spans(manager) == [(first.id, later(0), later(6))]


def test_a_move_put_before_the_stay_that_it_ended_is_refused(house: House, manager: TestClient) -> None:
    first, second = house.pile("K-01"), house.pile("K-02")
    place(manager, first.id, **{"from": later(2)}, to=later(4))
    moved = place(manager, second.id, **{"from": later(4)}).json()
    stood = spans(manager)
    assert manager.patch(f"/api/v1/placements/{moved['id']}", json={"from": later(1)}).status_code == 409
    assert spans(manager) == stood


def test_a_move_put_later_leaves_no_probe_in_a_finished_pile(house: House, manager: TestClient) -> None:
    first, second = house.pile("K-01"), house.pile("K-02")
    place(manager, first.id)
    manager.post(f"/api/v1/piles/{first.id}/finish", json={"at": later(4)})
    moved = place(manager, second.id, **{"from": later(4)}).json()
    manager.patch(f"/api/v1/placements/{moved['id']}", json={"from": later(6)})
    assert spans(manager) == [(first.id, later(0), later(4)), (second.id, later(6), None)]


def test_a_broken_probe_is_swapped_after_the_fact_and_nothing_is_rewritten(
    house: House, manager: TestClient
) -> None:
    for probe in ("lance-1", "lance-2"):
        house.hear(probe, "45", [60.0] * 10)
    pile = house.pile()
    broken = place(manager, pile.id).json()
    before, stored = manager.get(f"/api/v1/piles/{pile.id}/heat").json(), house.parts.readings.count()
    manager.patch(f"/api/v1/placements/{broken['id']}", json={"to": later(4)})
    swapped = place(manager, pile.id, probe="lance-2", **{"from": later(4)}).json()
    sensors = manager.get(f"/api/v1/piles/{pile.id}/readings").json()["sensors"]
    assert {one["probe"]: one["total"] for one in sensors} == {"lance-1": 8, "lance-2": 2}
    manager.delete(f"/api/v1/placements/{swapped['id']}")
    manager.patch(f"/api/v1/placements/{broken['id']}", json={"to": None})
    assert manager.get(f"/api/v1/piles/{pile.id}/heat").json() == before
    assert house.parts.readings.count() == stored


def test_placements_are_listed_by_pile_and_probe(house: House, manager: TestClient) -> None:
    house.pile("K-01")
    house.pile("K-02")
    place(manager, "pile-K-01")
    place(manager, "pile-K-02", probe="lance-2")
    for query, wanted in (("?pile=larkfield:K-01", ["lance-1"]), ("?probe=lance-2", ["lance-2"])):
        found = manager.get(f"/api/v1/placements{query}").json()["items"]
        assert [one["probe"] for one in found] == wanted


def test_a_probe_is_named_a_pace_and_a_word(house: House, manager: TestClient) -> None:
    house.hear("lance-1", "45", [50.0])
    (probe,) = manager.get("/api/v1/probes").json()["items"]
    address = f"/api/v1/probes/{probe['id']}"
    changed = manager.patch(address, json={"note": "new cell in May", "interval_minutes": 15}).json()
    assert (changed["note"], changed["interval_minutes"], changed["interval_fixed"]) == (
        "new cell in May",
        15,
        True,
    )
    learnt = manager.patch(address, json={"interval_minutes": None}).json()
    assert (learnt["interval_minutes"], learnt["interval_fixed"]) == (None, False)
    assert manager.patch(address, json={"name": "lance-2"}).status_code == 422
    assert manager.patch(address, json={"interval_minutes": 0}).status_code == 422


def test_a_calibration_shifts_the_readings_from_its_day_on(house: House, manager: TestClient) -> None:
    house.hear("lance-1", "45", [50.0, 50.0, 50.0])
    pile = house.pile()
    place(manager, pile.id)
    (probe,) = manager.get("/api/v1/probes").json()["items"]
    address = f"/api/v1/probes/{probe['id']}/calibrations"
    sent = {"depth": "45.0", "offset_c": -0.5, "valid_from": iso(Millis(BUILT + 1)), "method": "ice water"}
    made = manager.post(address, json=sent)
    assert made.status_code == 201
    assert made.json()["depth"] == "45"
    assert manager.get(address).json()["items"] == [made.json()]
    (sensor,) = manager.get(f"/api/v1/piles/{pile.id}/readings").json()["sensors"]
    assert sensor["celsius"] == [50.0, 49.5, 49.5]
    assert manager.post(address, json={**sent, "offset_c": 500}).status_code == 422


def test_now_is_not_the_future(house: House, manager: TestClient) -> None:
    assert place(manager, house.pile().id, **{"from": iso(NOW)}).status_code == 201


def test_what_is_deleted_is_gone_and_the_readings_stay(house: House, manager: TestClient) -> None:
    house.hear("lance-1", "45", [40.0, 41.0])
    placed = place(manager, house.pile().id).json()
    readings = house.parts.readings.count()
    assert manager.delete(f"/api/v1/placements/{placed['id']}").status_code == 204
    assert manager.get(f"/api/v1/placements/{placed['id']}").status_code == 404
    assert house.parts.readings.count() == readings
    (probe,) = manager.get("/api/v1/probes?unplaced=true").json()["items"]
    assert probe["name"] == "lance-1"
    assert manager.get("/api/v1/piles/pile-K-01/heat").json()["sensors"] == []
