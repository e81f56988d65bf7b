"""What people answer to an episode, and the notices that came of it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from shared.episodes import Episode
from shared.links import LinkPurpose, link_address, link_key, make_link
from shared.notices import Notice
from shared.times import DAY, HOUR, Millis, iso
from tests.api.conftest import NOW, House


def episode(house: House) -> Episode:
    made = Episode(
        "e-1", "turn_due", "larkfield", house.pile().id, "", "act", "open", Millis(NOW - HOUR), "load_reached_1",
        {"load": 1.04}, holds={"secret": "of the condition"},
    )  # fmt: skip
    house.parts.registry.episodes.put(made)
    return made


def test_an_episode_is_shown_without_what_its_condition_remembers(house: House, viewer: TestClient) -> None:
    episode(house)
    got = viewer.get("/api/v1/episodes/e-1").json()
    assert (got["kind"], got["state"], got["figures"]) == ("turn_due", "open", {"load": 1.04})
    assert got["opened_at"] == "2026-11-25T05:00:00Z"
    assert "holds" not in got


def test_acknowledging_is_said_once_and_keeps_the_first_name(house: House, helper: TestClient) -> None:
    episode(house)
    first = helper.post("/api/v1/episodes/e-1/acknowledge").json()
    assert (first["state"], first["acknowledged_by"]) == ("acknowledged", "the helper")
    assert first["acknowledged_at"] == iso(NOW)
    house.clock.ahead(HOUR)
    assert house.client("manager").post("/api/v1/episodes/e-1/acknowledge").json() == first
    kept = house.parts.registry.episodes.get("e-1")
    assert (kept.state, kept.holds) == ("acknowledged", {"secret": "of the condition"})


def test_snoozing_lasts_until_then(house: House, helper: TestClient) -> None:
    episode(house)
    until = iso(Millis(NOW + 6 * HOUR))
    got = helper.post("/api/v1/episodes/e-1/snooze", json={"until": until}).json()
    assert (got["state"], got["snoozed_until"]) == ("snoozed", until)
    seen = helper.post("/api/v1/episodes/e-1/acknowledge").json()
    assert (seen["state"], seen["snoozed_until"]) == ("acknowledged", None)


@pytest.mark.parametrize("offset", [-HOUR, 0, 31 * DAY])
def test_a_snooze_lies_ahead_and_ends(house: House, helper: TestClient, offset: int) -> None:
    episode(house)
    until = iso(Millis(NOW + offset))
    assert helper.post("/api/v1/episodes/e-1/snooze", json={"until": until}).status_code == 422
    assert house.parts.registry.episodes.get("e-1").state == "open"


def test_what_is_over_takes_no_answer(house: House, helper: TestClient) -> None:
    made = episode(house)
    house.parts.registry.episodes.put(replace(made, state="resolved", resolved_at=NOW))
    assert helper.post("/api/v1/episodes/e-1/acknowledge").status_code == 409
    until = iso(Millis(NOW + HOUR))
    assert helper.post("/api/v1/episodes/e-1/snooze", json={"until": until}).status_code == 409
    for query, wanted in (("?open=true", 0), ("?open=false", 1), ("", 1)):
        assert len(helper.get(f"/api/v1/episodes{query}").json()["items"]) == wanted


def test_lists_are_cut_by_pile_and_kind(house: House, viewer: TestClient) -> None:
    episode(house)
    for query, wanted in (
        ("?pile=larkfield:K-01", 1), ("?kind=turn_due", 1), ("?kind=cooled", 0), ("?kind=turn_due&open=true", 1),
        ("?kind=cooled&open=true", 0),
    ):  # fmt: skip
        assert len(viewer.get(f"/api/v1/episodes{query}").json()["items"]) == wanted, query
    assert viewer.get("/api/v1/episodes?kind=gossip").status_code == 422
    assert viewer.get("/api/v1/episodes?pile=none").status_code == 404


def test_a_link_that_acts_is_shown_to_those_who_may_act(house: House) -> None:
    pile = house.pile()
    registry = house.parts.registry
    purpose = LinkPurpose("log_turn", pile.id, "e-1", "p-1", Millis(NOW + DAY))
    done = link_address("https://yard.example.org", make_link(link_key(registry.memory), purpose))
    links = {"open": f"https://yard.example.org/piles/{pile.id}", "done": done}
    registry.notices.put(
        Notice(
            "n-1", "e-1", "turn_due", "act", "p-1", "c-1", "first", NOW, "K-01 wants a turn", f"Done? {done}",
            pile_id=pile.id, peg="K-01", site="larkfield", links=links,
        )
    )  # fmt: skip
    seen = house.client("helper").get("/api/v1/notices/n-1").json()
    assert (seen["links"], seen["text"]) == (links, f"Done? {done}")
    told = house.client("viewer").get("/api/v1/notices?pile=larkfield:K-01&kind=turn_due").json()["items"][0]
    assert told["links"] == {"open": links["open"]}
    assert told["title"] == "K-01 wants a turn"
    assert done.rpartition("/")[2] not in told["text"]


def test_notices_are_cut_by_person(house: House, viewer: TestClient) -> None:
    for name in ("p-1", "p-2"):
        house.parts.registry.notices.put(
            Notice(f"n-{name}", "e-1", "cooled", "info", name, "c", "first", NOW, "title", "text")
        )
    found = viewer.get("/api/v1/notices?person=p-2").json()["items"]
    assert [one["id"] for one in found] == ["n-p-2"]
