"""Every route of the description against every role: who gets in and who does not."""

from __future__ import annotations

import re

import pytest
from starlette.testclient import TestClient

from shared.people import ROLES, Role, role_allows
from tests.api.conftest import House

NEEDS: dict[str, Role | None] = {
    "GET /healthz": None,
    "GET /readyz": None,
    "GET /metrics": None,
    "GET /api/v1/sites": "viewer",
    "POST /api/v1/sites": "manager",
    "GET /api/v1/sites/{slug}": "viewer",
    "GET /api/v1/sites/{slug}/export.zip": "manager",
    "GET /api/v1/piles": "viewer",
    "POST /api/v1/piles": "manager",
    "GET /api/v1/piles/{pile}": "viewer",
    "PATCH /api/v1/piles/{pile}": "manager",
    "POST /api/v1/piles/{pile}/finish": "manager",
    "GET /api/v1/piles/{pile}/turns": "viewer",
    "POST /api/v1/piles/{pile}/turns": "helper",
    "PATCH /api/v1/piles/{pile}/turns/{turn}": "helper",
    "POST /api/v1/piles/{pile}/turns/found": "helper",
    "GET /api/v1/piles/{pile}/notes": "viewer",
    "POST /api/v1/piles/{pile}/notes": "helper",
    "GET /api/v1/piles/{pile}/notes/{note}/photo": "viewer",
    "PUT /api/v1/piles/{pile}/notes/{note}/photo": "helper",
    "GET /api/v1/piles/{pile}/heat": "viewer",
    "GET /api/v1/piles/{pile}/readings": "viewer",
    "GET /api/v1/piles/{pile}/readings.csv": "viewer",
    "GET /api/v1/piles/{pile}/report.pdf": "viewer",
    "GET /api/v1/placements": "viewer",
    "POST /api/v1/placements": "manager",
    "GET /api/v1/placements/{placement}": "viewer",
    "PATCH /api/v1/placements/{placement}": "manager",
    "DELETE /api/v1/placements/{placement}": "manager",
    "GET /api/v1/probes": "viewer",
    "GET /api/v1/probes/{probe}": "viewer",
    "PATCH /api/v1/probes/{probe}": "manager",
    "GET /api/v1/probes/{probe}/calibrations": "viewer",
    "GET /api/v1/probes/{probe}/vitals": "viewer",
    "POST /api/v1/probes/{probe}/calibrations": "manager",
    "GET /api/v1/round": "viewer",
    "GET /api/v1/episodes": "viewer",
    "GET /api/v1/episodes/{episode}": "viewer",
    "POST /api/v1/episodes/{episode}/acknowledge": "helper",
    "POST /api/v1/episodes/{episode}/snooze": "helper",
    "GET /api/v1/notices": "viewer",
    "GET /api/v1/notices/{notice}": "viewer",
    "GET /api/v1/people": "helper",
    "POST /api/v1/people": "manager",
    "GET /api/v1/people/{person}": "helper",
    "PATCH /api/v1/people/{person}": "manager",
    "DELETE /api/v1/people/{person}": "manager",
    "GET /api/v1/people/{person}/channels": "helper",
    "POST /api/v1/people/{person}/channels": "manager",
    "PATCH /api/v1/channels/{channel}": "manager",
    "DELETE /api/v1/channels/{channel}": "manager",
    "POST /api/v1/channels/{channel}/test": "manager",
    "GET /api/v1/subscriptions": "helper",
    "POST /api/v1/subscriptions": "manager",
    "DELETE /api/v1/subscriptions/{subscription}": "manager",
    "GET /api/v1/rules": "viewer",
    "GET /api/v1/rules/{rule}": "viewer",
    "GET /api/v1/guides": "viewer",
    "GET /api/v1/guides/{guide}": "viewer",
    "POST /api/v1/mix": "viewer",
    "GET /api/v1/feedstocks": "viewer",
    "PUT /api/v1/feedstocks/{name}": "manager",
    "DELETE /api/v1/feedstocks/{name}": "manager",
    "GET /api/v1/tokens": "manager",
    "POST /api/v1/tokens": "manager",
    "DELETE /api/v1/tokens/{token}": "manager",
    "GET /api/v1/batches/compare": "viewer",
    "GET /api/v1/batches.csv": "viewer",
    "GET /api/v1/piles/{pile}/build": "viewer",
    "PUT /api/v1/piles/{pile}/build": "manager",
    "POST /api/v1/piles/{pile}/checklist": "helper",
    "GET /api/v1/feedstocks/{name}/answers": "viewer",
    "PUT /api/v1/feedstocks/{name}/answers/{question}": "helper",
    "GET /api/v1/accounts": "manager",
    "GET /api/v1/accounts/{account}": "manager",
    "PATCH /api/v1/accounts/{account}": "manager",
    "DELETE /api/v1/accounts/{account}": "manager",
    "POST /api/v1/invitations": "manager",
    "GET /api/v1/audit": "manager",
    "GET /api/v1/audit/chain": "manager",
    "GET /api/v1/audit.jsonl": "manager",
    "GET /api/v1/quarantine": "viewer",
    "DELETE /api/v1/quarantine/{message}": "manager",
}


def described(house: House) -> set[str]:
    return {
        f"{method.upper()} {path}"
        for path, methods in house.app.openapi()["paths"].items()
        for method in methods
    }


def ask(client: TestClient, route: str) -> int:
    """The status for a body that fits nothing: past the door it is 404 or 422."""
    method, _, path = route.partition(" ")
    address = re.sub(r"\{\w+\}", "none", path)
    json = {"nothing": "fits"} if method in {"POST", "PATCH", "PUT"} else None
    return int(client.request(method, address, json=json).status_code)


def test_the_table_names_every_route_and_no_other(house: House) -> None:
    assert described(house) == set(NEEDS)


@pytest.mark.parametrize("held", [None, *ROLES])
def test_each_role_gets_as_far_as_the_table_says(house: House, held: Role | None) -> None:
    client = house.client(held)
    for route, needed in NEEDS.items():
        status = ask(client, route)
        if needed is None:
            assert status in {200, 503}, route
        elif held is None:
            assert status == 401, route
        elif role_allows(held, needed):
            assert status in {200, 404, 422}, (route, status)
        else:
            # the body is read before the door is tried, so a body that fits nothing may be told so first
            assert status == 403, (route, status)


def test_nothing_is_written_by_those_who_may_not(house: House) -> None:
    before = house.parts.registry.version()
    for held in (None, "viewer"):
        client = house.client("viewer" if held else None)
        for route, needed in NEEDS.items():
            if needed in {"helper", "manager"}:
                ask(client, route)
    assert house.parts.registry.version() == before
