"""Whatever a person changes is on record, and no secret is, there or in the log."""

from __future__ import annotations

import logging
import re

import pytest

from shared.audit import check
from tests.api.conftest import House
from tests.security.conftest import PASSWORD, owner, send, visitor


def test_whatever_a_person_changes_is_on_record_and_no_secret_is(house: House) -> None:
    client = owner(house)
    registry = house.parts.registry
    headers = {
        "X-CSRF-Token": re.findall(r'name="csrf" value="([0-9a-f]{64})"', client.get("/account").text)[0]
    }
    mina = client.post(
        "/api/v1/people", json={"name": "Mina", "zone": "UTC", "units": "celsius"}, headers=headers
    ).json()["id"]
    hook = {"kind": "webhook", "url": "https://example.org/hook?token=hush-hush", "secret": "hush-hush"}
    assert client.post(f"/api/v1/people/{mina}/channels", json=hook, headers=headers).status_code == 201
    made = client.post("/api/v1/tokens", json={"role": "viewer", "name": "gauge"}, headers=headers).json()[
        "token"
    ]
    refused = client.post("/api/v1/people", json={"name": ""}, headers=headers)
    assert refused.status_code == 422
    entries = registry.audit.entries()
    acts = [entry.deed.act for entry in entries]
    assert acts == [
        "accounts.joined",
        "session.opened",
        "people.add",
        "people.add_channel",
        "access.add_token",
    ]
    assert all(entry.deed.who == "Orla Fenwick" and entry.deed.source == "testclient" for entry in entries)
    shown = client.get("/api/v1/audit.jsonl").text + client.get("/audit").text
    assert "hush-hush" not in shown
    assert made not in shown
    assert PASSWORD not in shown
    assert check(entries).broken_at is None
    assert client.get("/api/v1/audit/chain").json() == {
        "entries": 5,
        "head": entries[-1].digest,
        "broken_at": None,
    }


def test_a_change_that_cannot_be_recorded_is_not_made(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError

    monkeypatch.setattr(house.parts.registry.audit, "append", broken)
    before = house.parts.registry.sites.all()
    answer = house.client("manager").post("/api/v1/sites", json={"slug": "x", "name": "x", "zone": "UTC"})
    assert answer.status_code == 500
    assert house.parts.registry.sites.all() == before


def test_no_secret_is_logged(house: House, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        client = owner(house)
        send(client, "/access/tokens", name="gauge", role="viewer")
        send(visitor(house), "/enter", login="orla", password="wrong but private 9")
    assert PASSWORD not in caplog.text
    assert "wrong but private" not in caplog.text
    assert "tb_" not in caplog.text
