"""Every page and every form against every role: who gets in and who does not."""

from __future__ import annotations

import re

import pytest

from shared.people import ROLES, Role, role_allows
from tests.api.conftest import House
from tests.security.test_sites import all_routes

NEEDS: dict[str, Role | None] = {
    "GET /": "viewer",
    "GET /access": "manager",
    "GET /account": "viewer",
    "GET /audit": "manager",
    "GET /batches": "viewer",
    "GET /batches/compare": "viewer",
    "GET /batches/compare.svg": "viewer",
    "GET /batches/{pile_id}": "viewer",
    "GET /do/{token}": None,
    "GET /enter": None,
    "GET /enter/single": None,
    "GET /enter/single/back": None,
    "GET /favicon.ico": None,
    "GET /help": None,
    "GET /help/pictures/{name}": None,
    "GET /help/{name}": None,
    "GET /join": None,
    "GET /labels": "viewer",
    "GET /manifest.webmanifest": None,
    "GET /mix": "viewer",
    "GET /mix/feedstocks": "viewer",
    "GET /notices": "viewer",
    "GET /people": "helper",
    "GET /piles/build": "manager",
    "GET /piles/new": "manager",
    "GET /piles/{pile_id}": "viewer",
    "GET /piles/{pile_id}/build": "manager",
    "GET /piles/{pile_id}/curve.json": "viewer",
    "GET /piles/{pile_id}/curve.svg": "viewer",
    "GET /piles/{pile_id}/figures": "viewer",
    "GET /piles/{pile_id}/heat-map.svg": "viewer",
    "GET /piles/{pile_id}/import": "manager",
    "GET /piles/{pile_id}/notes/{note_id}/photo": "helper",
    "GET /probes": "viewer",
    "GET /probes/{probe_id}/vitals.svg": "viewer",
    "GET /quarantine": "viewer",
    "GET /round/list": "viewer",
    "GET /rules": "viewer",
    "GET /setup": "manager",
    "GET /static/engine/{name}": None,
    "GET /static/{digest}/{name}": None,
    "GET /sw.js": None,
    "POST /access/accounts/{account_id}": "manager",
    "POST /access/accounts/{account_id}/delete": "manager",
    "POST /access/accounts/{account_id}/renew": "manager",
    "POST /access/accounts/{account_id}/switch": "manager",
    "POST /access/invitations": "manager",
    "POST /access/tokens": "manager",
    "POST /access/tokens/{token_id}/end": "manager",
    "POST /account/password": "viewer",
    "POST /account/second/begin": "viewer",
    "POST /account/second/off": "viewer",
    "POST /account/second/on": "viewer",
    "POST /account/sessions/{session_id}/end": "viewer",
    "POST /account/single": "viewer",
    "POST /channels/{channel_id}/switch": "manager",
    "POST /channels/{channel_id}/delete": "manager",
    "POST /people/{person_id}/delete": "manager",
    "POST /placements/{placement_id}/delete": "manager",
    "POST /channels/{channel_id}/test": "manager",
    "POST /do/{token}": None,
    "POST /enter": None,
    "POST /enter/code": None,
    "POST /episodes/{episode_id}/acknowledge": "helper",
    "POST /episodes/{episode_id}/snooze": "helper",
    "POST /join": None,
    "POST /leave": None,
    "POST /mix/answers": "helper",
    "POST /mix/feedstocks": "manager",
    "POST /mix/feedstocks/remove": "manager",
    "POST /people": "manager",
    "POST /people/{person_id}": "manager",
    "POST /people/{person_id}/channels": "manager",
    "POST /people/{person_id}/subscriptions": "manager",
    "POST /piles": "manager",
    "POST /piles/build": "manager",
    "POST /piles/{pile_id}/build": "manager",
    "POST /piles/{pile_id}/change": "manager",
    "POST /piles/{pile_id}/checklist": "helper",
    "POST /piles/{pile_id}/finish": "manager",
    "POST /piles/{pile_id}/import": "manager",
    "POST /piles/{pile_id}/import/drop": "manager",
    "POST /piles/{pile_id}/import/preview": "manager",
    "POST /piles/{pile_id}/imports/{import_id}/undo": "manager",
    "POST /piles/{pile_id}/note": "helper",
    "POST /piles/{pile_id}/turn": "helper",
    "POST /piles/{pile_id}/turns/{turn_id}": "helper",
    "POST /placements/{placement_id}": "manager",
    "POST /preferences": None,
    "POST /probes/place": "manager",
    "POST /probes/place-several": "manager",
    "POST /probes/{probe_id}/calibrate": "manager",
    "POST /quarantine/{message_id}/forget": "manager",
    "POST /sites": "manager",
    "POST /subscriptions/{subscription_id}/end": "manager",
}
"""None = anybody: the doors themselves, and what asks for a key of its own."""


def pages(house: House) -> set[str]:
    return {
        f"{method} {route.path}"
        for route in all_routes(house.app.routes)
        for method in route.methods or ()
        if not route.include_in_schema
    }


def ask(house: House, held: Role | None, page: str) -> tuple[int, str]:
    """The status, and where a visitor without a key is sent, for a form that fits nothing."""
    method, _, path = page.partition(" ")
    address = re.sub(r"\{\w+(:\w+)?\}", "none", path)
    client = house.client(held, Accept="text/html")
    form = {"nothing": "fits"} if method == "POST" else None
    answer = client.request(method, address, data=form, follow_redirects=False)
    return answer.status_code, answer.headers.get("location", "")


def is_shut(status: int, onward: str) -> bool:
    return status == 401 or onward.startswith("/enter?next=")


def test_the_table_names_no_page_that_is_not_there(house: House) -> None:
    assert set(NEEDS) <= pages(house)


def test_a_page_that_the_table_does_not_name_is_shut_to_strangers(house: House) -> None:
    for page in pages(house) - set(NEEDS):
        assert is_shut(*ask(house, None, page)), page
        if page.startswith("POST"):
            assert ask(house, "viewer", page)[0] == 403, page


@pytest.mark.parametrize("held", [None, *ROLES])
def test_each_role_gets_as_far_as_the_table_of_pages_says(house: House, held: Role | None) -> None:
    for page, needed in NEEDS.items():
        status, onward = ask(house, held, page)
        assert status < 500, page
        if needed is None:
            assert status != 403, page
        elif held is None:
            assert is_shut(status, onward), page
        elif role_allows(held, needed):
            assert status in {200, 303, 404, 409, 422}, (page, status)
            assert not is_shut(status, onward), page
        else:
            assert status == 403, (page, status)


def test_nothing_is_written_by_those_who_may_not(house: House) -> None:
    registry = house.parts.registry
    before = (registry.version(), len(registry.audit.entries()))
    for held in (None, "viewer"):
        for page, needed in NEEDS.items():
            if needed in {"helper", "manager"}:
                ask(house, "viewer" if held else None, page)
    assert (registry.version(), len(registry.audit.entries())) == before


def test_looking_changes_nothing_and_is_not_on_record(house: House) -> None:
    """What is read by a name that only begins like a change, such as ``placements``, is no change."""
    house.pile()
    client = house.client("manager")
    seen = [
        path
        for verb, path in (route.split(" ", 1) for route in NEEDS)
        if verb == "GET" and "{" not in path and client.get(path).status_code == 200
    ]
    assert {"/", "/probes", "/setup", "/notices"} <= set(seen)
    assert client.get("/api/v1/placements").status_code == 200
    assert client.get(f"/piles/{house.parts.registry.piles.all()[0].id}").status_code == 200
    assert house.parts.registry.audit.entries() == []
