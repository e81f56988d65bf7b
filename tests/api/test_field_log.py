"""Turns and notes, each kept once."""

from __future__ import annotations

from threading import Barrier, Thread
from typing import Any

import pytest
from starlette.testclient import TestClient

from shared.piles import Turn
from shared.times import DAY, Millis, iso
from tests.api.conftest import BUILT, NOW, House

TURN = {"at": "2026-11-24T15:00:00Z", "note": "core was grey"}


def turns(client: TestClient, pile: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get(f"/api/v1/piles/{pile}/turns").json()["items"]
    return found


def test_a_turn_is_logged_by_the_one_who_says_so(house: House, helper: TestClient) -> None:
    pile = house.pile()
    answer = helper.post(f"/api/v1/piles/{pile.id}/turns", json=TURN)
    assert answer.status_code == 201
    made = answer.json()
    assert {**made, "id": ""} == {
        **TURN, "id": "", "pile": pile.id, "source": "logged", "state": "confirmed", "by": "the helper",
    }  # fmt: skip
    assert turns(helper, pile.id) == [made]


def test_the_same_key_and_body_log_one_turn_and_answer_alike(house: House, helper: TestClient) -> None:
    pile = house.pile()
    address, key = f"/api/v1/piles/{pile.id}/turns", {"Idempotency-Key": "tap-1"}
    first = helper.post(address, json=TURN, headers=key)
    house.clock.ahead(DAY)
    again = helper.post(address, json={**TURN, "at": "2026-11-24T16:00:00+01:00"}, headers=key)
    assert (again.status_code, again.content) == (first.status_code, first.content)
    assert again.headers["Idempotent-Replayed"] == "true"
    assert len(turns(helper, pile.id)) == 1


def test_the_same_key_with_another_body_is_refused(house: House, helper: TestClient) -> None:
    pile = house.pile()
    address, key = f"/api/v1/piles/{pile.id}/turns", {"Idempotency-Key": "tap-1"}
    helper.post(address, json=TURN, headers=key)
    other = helper.post(address, json={**TURN, "note": "another"}, headers=key)
    assert other.status_code == 422
    assert other.json()["errors"][0]["where"] == "header.Idempotency-Key"
    assert len(turns(helper, pile.id)) == 1


def test_a_key_is_spent_for_its_pile_and_noun_alone(house: House, helper: TestClient) -> None:
    key = {"Idempotency-Key": "tap-1"}
    for pile in (house.pile("K-01"), house.pile("K-02")):
        assert helper.post(f"/api/v1/piles/{pile.id}/turns", json=TURN, headers=key).status_code == 201
        note = {"kind": "water", "at": TURN["at"], "litres": 40}
        assert helper.post(f"/api/v1/piles/{pile.id}/notes", json=note, headers=key).status_code == 201
        assert len(turns(helper, pile.id)) == 1


def test_a_refused_turn_does_not_spend_its_key(house: House, helper: TestClient) -> None:
    pile = house.pile()
    address, key = f"/api/v1/piles/{pile.id}/turns", {"Idempotency-Key": "tap-1"}
    assert helper.post(address, json={"at": iso(Millis(BUILT - DAY))}, headers=key).status_code == 422
    assert helper.post(address, json=TURN, headers=key).status_code == 201


def test_an_answer_is_repeated_even_when_the_pile_has_been_finished_since(house: House) -> None:
    pile = house.pile()
    helper, manager = house.client("helper"), house.client("manager")
    address, key = f"/api/v1/piles/{pile.id}/turns", {"Idempotency-Key": "tap-1"}
    first = helper.post(address, json=TURN, headers=key)
    manager.post(f"/api/v1/piles/{pile.id}/finish", json={"at": TURN["at"]})
    assert helper.post(address, json=TURN, headers=key).content == first.content
    assert helper.post(address, json={"at": iso(NOW)}).status_code == 409


def test_two_taps_at_the_same_moment_log_one_turn(house: House) -> None:
    pile = house.pile()
    gate, bodies = Barrier(4), list[bytes]()

    def tap() -> None:
        client = house.client("helper")
        gate.wait(timeout=10)
        answer = client.post(
            f"/api/v1/piles/{pile.id}/turns", json=TURN, headers={"Idempotency-Key": "tap-1"}
        )
        bodies.append(answer.content)

    threads = [Thread(target=tap) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
    assert len(bodies) == 4
    assert len(set(bodies)) == 1
    assert len(house.parts.registry.piles.turns(pile.id)) == 1


@pytest.mark.parametrize("key", ["", "k" * 201, "schlüssel"])
def test_a_key_that_cannot_be_kept_is_refused(house: House, helper: TestClient, key: str) -> None:
    pile = house.pile()
    answer = helper.post(
        f"/api/v1/piles/{pile.id}/turns", json=TURN, headers={"Idempotency-Key": key.encode("latin-1")}
    )
    assert answer.status_code == 422
    assert turns(helper, pile.id) == []


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"at": None},
        {"at": "2026-11-24T15:00:00"},
        {"at": "2026-11-25T07:00:00Z"},
        {"at": TURN["at"], "by": "x"},
    ],
)
def test_a_turn_that_cannot_be_is_refused(house: House, helper: TestClient, body: dict[str, Any]) -> None:
    pile = house.pile()
    assert helper.post(f"/api/v1/piles/{pile.id}/turns", json=body).status_code == 422
    assert turns(helper, pile.id) == []


def test_a_turn_that_was_found_is_confirmed_or_declined_by_a_person(house: House, helper: TestClient) -> None:
    pile = house.pile()
    found = Turn("t-1", pile.id, Millis(BUILT + DAY), "detected", "proposed")
    house.parts.registry.piles.add_turn(found)
    address = f"/api/v1/piles/{pile.id}/turns/t-1"
    confirmed = helper.patch(address, json={"state": "confirmed"}).json()
    assert (confirmed["state"], confirmed["source"], confirmed["by"]) == (
        "confirmed",
        "detected",
        "the helper",
    )
    assert helper.patch(address, json={"state": "declined"}).json()["state"] == "declined"
    assert helper.patch(address, json={"state": "proposed"}).status_code == 422
    assert helper.patch(address, json={"at": iso(Millis(BUILT - DAY))}).status_code == 422


FOUND = "2026-11-24T15:07:00Z"


def test_a_proposed_turn_is_confirmed_at_the_time_at_which_it_was_found(
    house: House, helper: TestClient
) -> None:
    pile = house.pile()
    address = f"/api/v1/piles/{pile.id}/turns/found"
    kept = helper.post(address, json={"at": FOUND, "state": "confirmed"}).json()
    assert (kept["at"], kept["source"], kept["state"], kept["by"]) == (
        FOUND,
        "detected",
        "confirmed",
        "the helper",
    )
    assert helper.post(address, json={"at": FOUND, "state": "confirmed"}).json() == kept
    assert len(turns(helper, pile.id)) == 1


def test_a_declined_proposal_is_on_record_and_counts_for_nothing(house: House, helper: TestClient) -> None:
    pile = house.pile()
    address = f"/api/v1/piles/{pile.id}/turns/found"
    kept = helper.post(address, json={"at": FOUND, "state": "declined"}).json()
    assert (kept["source"], kept["state"]) == ("detected", "declined")
    changed = helper.post(address, json={"at": "2026-11-24T15:37:00Z", "state": "confirmed"}).json()
    assert (changed["id"], changed["state"], changed["at"]) == (kept["id"], "confirmed", FOUND)
    assert helper.post(address, json={"at": FOUND, "state": "proposed"}).status_code == 422


def test_a_logged_turn_stands_before_a_found_one(house: House, helper: TestClient) -> None:
    pile = house.pile()
    assert helper.post(f"/api/v1/piles/{pile.id}/turns", json={"at": FOUND}).status_code == 201
    answer = helper.post(
        f"/api/v1/piles/{pile.id}/turns/found", json={"at": "2026-11-24T17:00:00Z", "state": "confirmed"}
    )
    assert answer.status_code == 409
    assert len(turns(helper, pile.id)) == 1


def test_a_turn_is_found_under_its_own_pile_alone(house: House, helper: TestClient) -> None:
    house.pile("K-01")
    other = house.pile("K-02")
    house.parts.registry.piles.add_turn(Turn("t-1", "pile-K-01", Millis(BUILT + DAY)))
    assert helper.patch(f"/api/v1/piles/{other.id}/turns/t-1", json={"state": "declined"}).status_code == 404


@pytest.mark.parametrize(
    ("sent", "figures"),
    [
        ({"kind": "water", "litres": 40}, {"litres": 40}),
        ({"kind": "water"}, {}),
        ({"kind": "cover", "text": "fleece on"}, {}),
        ({"kind": "smell", "smell": "ammonia"}, {"smell": "ammonia", "smoke": False}),
        ({"kind": "squeeze", "feel": "right"}, {"feel": "right"}),
        ({"kind": "hand_reading", "celsius": 61.5, "depth_cm": 45}, {"celsius": 61.5, "depth_cm": 45}),
        ({"kind": "hand_reading", "fahrenheit": 142.7}, {"celsius": 61.5}),
        ({"kind": "remark", "text": "two lines\nof it"}, {}),
        ({"kind": "photo", "text": "the north face"}, {}),
    ],
)
def test_each_kind_of_note_keeps_its_figures(
    house: House, helper: TestClient, sent: dict[str, Any], figures: dict[str, Any]
) -> None:
    pile = house.pile()
    answer = helper.post(f"/api/v1/piles/{pile.id}/notes", json={**sent, "at": TURN["at"]})
    assert answer.status_code == 201
    assert answer.json()["figures"] == figures
    assert answer.json()["text"] == sent.get("text", "")
    assert helper.get(f"/api/v1/piles/{pile.id}/notes").json()["items"] == [answer.json()]


@pytest.mark.parametrize(
    "sent",
    [
        {"kind": "dance"},
        {},
        {"kind": "squeeze", "feel": "odd"},
        {"kind": "squeeze"},
        {"kind": "smell"},
        {"kind": "hand_reading"},
        {"kind": "hand_reading", "celsius": 61, "fahrenheit": 142},
        {"kind": "hand_reading", "celsius": 6100},
        {"kind": "water", "litres": -1},
        {"kind": "remark", "text": "x" * 4001},
        {"kind": "remark", "text": "bell \u0007"},
        {"kind": "remark", "litres": 3},
    ],
)
def test_a_note_that_cannot_be_is_refused(house: House, helper: TestClient, sent: dict[str, Any]) -> None:
    pile = house.pile()
    answer = helper.post(f"/api/v1/piles/{pile.id}/notes", json={**sent, "at": TURN["at"]})
    assert answer.status_code == 422
    assert house.parts.registry.piles.notes(pile.id) == []
