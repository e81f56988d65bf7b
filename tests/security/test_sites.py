"""Roles per site: whoever has one on the meadow alone finds the meadow and nothing of the yard, on no route or page."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.routing import APIRoute

from api.auth import create_token
from shared.episodes import Episode
from shared.notices import Notice
from shared.people import Channel, Person, Role, Subscription
from shared.piles import FieldNote, Pile, Placement, Site, Turn
from shared.times import DAY, HOUR, Millis, Span
from tests.api.conftest import BUILT, NOW, House, build_house, close_house

MARK = "larkfield"
HIDDEN = re.compile(r"larkfield|Larkfield|YARD-|lance-9|yard-secret|Mina", re.ASCII)


def furnish(house: House) -> None:
    registry = house.parts.registry
    registry.sites.add(Site("meadow", "Low Meadow", "UTC"))
    house.hear("lance-9", "45", [40.0 + hour % 30 for hour in range(60)])
    house.pile("YARD-1")
    registry.piles.add(Pile("mead-1", "meadow", "M-01", BUILT))
    for pile, site in (("pile-YARD-1", MARK), ("mead-1", "meadow")):
        secret = "yard-secret" if site == MARK else "nothing"
        registry.probes.heard(site, "lance-9" if site == MARK else "lance-1", NOW, {})
        probe = registry.probes.all(site)[0]
        registry.probes.place(Placement(f"place-{site}", site, probe.name, pile, Span(BUILT), "middle"))
        registry.piles.add_turn(Turn(f"turn-{site}", pile, Millis(BUILT + DAY), note=secret))
        registry.piles.add_note(FieldNote(f"note-{site}", pile, "remark", Millis(BUILT + DAY), secret))
        registry.episodes.put(
            Episode(
                f"episode-{site}",
                "turn_due",
                site,
                pile,
                "",
                "act",
                "open",
                Millis(NOW - HOUR),
                "load_reached_1",
            )
        )
        registry.notices.put(
            Notice(
                f"notice-{site}",
                f"episode-{site}",
                "turn_due",
                "act",
                "p-1",
                "c-1",
                "first",
                NOW,
                "t",
                secret,
                pile,
                "x",
                site,
            )
        )
        registry.quarantine.put(NOW, f"turnbell/{site}/x/readings", secret, b"\xff")
    registry.people.add(Person("p-1", "Mina", "Europe/Dublin"))
    registry.people.add_channel(Channel("c-1", "p-1", "email", "yard-secret@example.org"))
    registry.people.subscribe(Subscription("s-1", "p-1", MARK))
    registry.people.add(Person("p-4", "Aoife", "Europe/Dublin"))
    registry.people.add(Person("p-3", "Maeve", "Europe/Dublin", escalate_to="p-4"))
    registry.people.subscribe(Subscription("s-3", "p-3", None, "mead-1"))


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    built = build_house(Path(tmp_path_factory.mktemp("house")))
    furnish(built)
    yield built
    close_house(built)


def on_the_meadow(house: House, role: Role) -> Any:
    return house.client(
        Authorization="Bearer " + create_token(house.parts.registry, role, role, NOW, site="meadow")
    )


def routes(house: House, method: str) -> list[str]:
    """Every address of the API and of the pages."""
    found = {
        route.path for route in all_routes(house.app.routes) if method in (route.methods or ())
    }  # fmt: skip
    assert {"/api/v1/piles", "/probes", "/piles/{pile_id}"} <= found or method != "GET"
    return sorted(found)


def all_routes(found: Any) -> Iterator[APIRoute]:
    """However deeply routers stand in routers."""
    for route in found:
        if isinstance(route, APIRoute):
            yield route
        else:
            yield from all_routes(
                getattr(route, "routes", None)
                or getattr(getattr(route, "original_router", None), "routes", ())
            )


def ids(path: str, site: str) -> str:
    """``path`` with the ids of the things of ``site``."""
    pile = "mead-1" if site == "meadow" else "pile-YARD-1"
    known = {
        "slug": site, "pile": pile, "pile_id": pile, "placement": f"place-{site}", "turn": f"turn-{site}", "note": f"note-{site}",
        "note_id": f"note-{site}", "episode": f"episode-{site}", "notice": f"notice-{site}", "person": "p-1", "channel": "c-1",
        "message": "1" if site == MARK else "2",
    }  # fmt: skip
    return re.sub(r"\{(\w+)(?::\w+)?\}", lambda name: known.get(name[1], "none"), path)


def everything_of_the_yard(house: House) -> list[Any]:
    """And of what belongs to no site."""
    r = house.parts.registry
    return [
        r.sites.all(), [pile for pile in r.piles.all() if pile.site != "meadow"], r.piles.turns("pile-YARD-1"),
        r.piles.notes("pile-YARD-1"), r.probes.placements(site=MARK), r.probes.all(MARK), r.probes.calibrations(MARK, "lance-9"),
        r.people.all(), r.people.channels(), [one for one in r.people.subscriptions() if one.site != "meadow"],
        r.episodes.get(f"episode-{MARK}"), r.notices.get(f"notice-{MARK}"), [one.id for one in r.access.tokens()],
        r.accounts.all(), [one.topic for one in r.quarantine.all()], r.memory.names("feedstock"),
    ]  # fmt: skip


WITH_QUESTIONS = [
    "/?site=larkfield", "/round/list?site=larkfield", "/labels?site=larkfield", "/labels?pile={pile}", "/probes?pile={pile}",
    "/batches/compare?id={pile}", "/batches/compare.svg?id={pile}", "/notices?pile={pile}", "/notices?person=p-1", "/mix?pile={pile}",
    "/piles/build?pile={pile}", "/piles/new?site=larkfield", "/batches?q=YARD", "/access?site=larkfield",
    "/api/v1/round?site=larkfield", "/api/v1/notices?pile={pile}", "/api/v1/subscriptions?person=p-1",
    "/api/v1/placements?pile={pile}", "/api/v1/episodes?pile={pile}", "/api/v1/piles?site=larkfield",
]  # fmt: skip


@pytest.mark.parametrize("role", ["viewer", "helper", "manager"])
def test_nothing_of_another_site_is_given_away(house: House, role: Role) -> None:
    client = on_the_meadow(house, role)
    for path in [*routes(house, "GET"), *WITH_QUESTIONS]:
        if path in {"/openapi.json", "/setup", "/metrics"} or "/help" in path or path.startswith("/static"):
            continue  # examples in words; /metrics asks nobody who they are, and the threat model says so
        for site in ("meadow", MARK) if "{" in path else (MARK,):
            address = ids(path, site)
            asked = address.partition("?")[2] or "\n"  # may be said again
            for accept in ("application/json", "text/html"):
                answer = client.get(address, headers={"Accept": accept}, follow_redirects=False)
                text = answer.text.replace(asked, "")
                assert answer.status_code < 500, (path, answer.text)
                if answer.status_code < 400:
                    assert not HIDDEN.search(text), (path, site, HIDDEN.findall(text))


def test_a_manager_of_the_meadow_changes_nothing_of_the_yard(house: House) -> None:
    client = on_the_meadow(house, "manager")
    before = everything_of_the_yard(house)
    bodies: list[dict[str, Any]] = [
        {"at": "2026-11-24T06:00:00Z"}, {"peg": "X"}, {"note": "x"}, {"state": "declined"}, {"position": "x"},
        {"kind": "remark", "at": "2026-11-24T06:00:00Z", "text": "x"}, {"until": "2026-11-25T09:00:00Z"}, {"disabled": True},
        {"probe": "lance-1", "pile": "pile-YARD-1", "from": "2026-11-21T06:00:00Z", "position": "x"},
        {"person": "p-1", "site": MARK}, {"person": "p-1"}, {"name": "x", "zone": "UTC", "units": "celsius"},
        {"slug": "x", "name": "x", "zone": "UTC"}, {"role": "manager", "name": "x"}, {"role": "manager"}, {},
    ]  # fmt: skip
    for method in ("POST", "PATCH", "PUT", "DELETE"):
        for path in routes(house, method):
            if path.startswith("/api/"):
                for body in bodies:
                    answer = client.request(method, ids(path, MARK), json=body)
                    assert answer.status_code < 500, (path, answer.text)
    assert everything_of_the_yard(house) == before


def test_a_manager_of_the_meadow_manages_the_meadow(house: House) -> None:
    client = on_the_meadow(house, "manager")
    built = client.post(
        "/api/v1/piles", json={"site": "meadow", "peg": "M-02", "built_at": "2026-11-24T06:00:00Z"}
    )
    assert built.status_code == 201
    at = {"at": "2026-11-25T05:00:00Z"}
    assert client.post(f"/api/v1/piles/{built.json()['id']}/turns", json=at).status_code == 201
    assert client.post("/api/v1/episodes/episode-meadow/acknowledge").status_code == 200
    assert client.post("/api/v1/subscriptions", json={"person": "p-3", "site": "meadow"}).status_code == 201


def test_a_helper_of_the_meadow_meets_those_who_are_told_of_it(house: House) -> None:
    """And those to whom they pass on; the names of the others are nobody's business."""
    client = on_the_meadow(house, "helper")
    assert [one["name"] for one in client.get("/api/v1/people").json()["items"]] == ["Aoife", "Maeve"]
    assert client.get("/api/v1/people/p-1").status_code == 404
    assert "somebody" in client.get("/notices", headers={"Accept": "text/html"}).text
    everywhere = house.client("helper").get("/api/v1/people").json()["items"]
    assert [one["name"] for one in everywhere] == ["Aoife", "Maeve", "Mina"]


def test_a_viewer_elsewhere_and_a_helper_here_is_each_in_its_place(house: House) -> None:
    registry = house.parts.registry
    secret = create_token(registry, "helper", "both", NOW, site="meadow")
    client = house.client(Authorization=f"Bearer {secret}")
    at = {"at": "2026-11-25T04:00:00Z"}
    assert client.post("/api/v1/piles/mead-1/turns", json=at).status_code == 201
    assert client.post("/api/v1/piles/pile-YARD-1/turns", json=at).status_code == 404
    assert client.post("/api/v1/placements", json={}).status_code == 403
