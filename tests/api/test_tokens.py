"""Bearer tokens: what they open, how long, and what guessing them is like."""

from __future__ import annotations

from pathlib import Path

import pytest
from fastapi import Request
from starlette.testclient import TestClient

from api.auth import Caller, create_token, digest_of
from api.auth_slowdown import Slowdown
from shared.piles import Site
from shared.times import HOUR, Millis
from tests.api.conftest import NOW, House, build_house, close_house, enter

SITE = {"slug": "low-meadow", "name": "Low Meadow", "zone": "Europe/Dublin"}


def test_a_token_is_kept_as_its_digest_alone(house: House) -> None:
    secret = create_token(house.parts.registry, "viewer", "gauge", NOW)
    assert secret.startswith("tb_")
    assert len(secret) > 40
    kept = [token for token in house.parts.registry.access.tokens() if token.name == "gauge"]
    assert [token.digest for token in kept] == [digest_of(secret)]
    for file in house.parts.data_dir.iterdir():
        assert secret.encode() not in file.read_bytes()


def test_a_token_opens_until_its_time_is_over_or_it_is_revoked(house: House) -> None:
    registry = house.parts.registry
    secret = create_token(registry, "viewer", "gauge", NOW, expires_at=Millis(NOW + HOUR))
    client = house.client(Authorization=f"bearer {secret}")
    assert client.get("/api/v1/piles").status_code == 200
    house.clock.ahead(HOUR)
    assert client.get("/api/v1/piles").status_code == 401
    assert house.client("viewer").get("/api/v1/piles").status_code == 200
    for token in registry.access.tokens():
        registry.access.revoke(token.id)
    refused = house.client("viewer").get("/api/v1/piles")
    assert refused.status_code == 401
    assert refused.headers["WWW-Authenticate"].startswith("Bearer")


@pytest.mark.parametrize(
    "header", ["Bearer", "Bearer ", "Bearer x", "Basic dXNlcjpwdw==", "tb_x", "Bearer ü"]
)
def test_what_is_no_token_is_refused(house: House, header: str) -> None:
    client = house.client()
    answer = client.get("/api/v1/piles", headers={"Authorization": header.encode("latin-1")})
    assert answer.status_code == 401


def test_a_token_made_for_one_thing_opens_nothing_else(house: House) -> None:
    registry = house.parts.registry
    for purpose in ({"use": "session"}, {"use": "first_run"}, {"act": "log_turn"}, {}):
        secret = create_token(registry, "manager", "x", NOW, purpose=purpose)
        assert house.client(Authorization=f"Bearer {secret}").get("/api/v1/piles").status_code == 401, purpose


def test_a_token_for_one_site_does_not_open_the_others(house: House) -> None:
    house.parts.registry.sites.add(Site("meadow", "Low Meadow", "UTC"))
    house.pile()
    secret = create_token(house.parts.registry, "manager", "x", NOW, site="meadow")
    client = house.client(Authorization=f"Bearer {secret}")
    assert [site["slug"] for site in client.get("/api/v1/sites").json()["items"]] == ["meadow"]
    assert client.get("/api/v1/piles").json()["items"] == []
    assert client.get("/api/v1/piles/pile-K-01").status_code == 404
    built = {"site": "larkfield", "peg": "K-02", "built_at": "2026-11-20T06:00:00Z"}
    assert client.post("/api/v1/piles", json=built).status_code in {404, 422}
    assert client.post("/api/v1/piles", json={**built, "site": "meadow"}).status_code == 201
    assert client.get("/api/v1/tokens").status_code == 403


def test_the_use_of_a_token_is_noted_once_a_minute(house: House, viewer: TestClient) -> None:
    def used() -> list[Millis | None]:
        return [
            token.last_used_at for token in house.parts.registry.access.tokens() if token.role == "viewer"
        ]

    viewer.get("/api/v1/piles")
    house.clock.ahead(1_000)
    viewer.get("/api/v1/piles")
    assert used() == [NOW]
    house.clock.ahead(60_000)
    viewer.get("/api/v1/piles")
    assert used() == [NOW + 61_000]


def test_a_bearer_needs_no_mark(house: House, manager: TestClient) -> None:
    headers = {"Origin": "https://elsewhere.example.com", "Sec-Fetch-Site": "cross-site"}
    assert manager.post("/api/v1/sites", json=SITE, headers=headers).status_code == 201


def test_a_manager_sees_who_holds_a_key_and_ends_it(doors: House) -> None:
    manager, guest = doors.client("manager"), doors.client()
    made = manager.post("/api/v1/tokens", json={"role": "viewer", "name": "the gauge"})
    assert made.status_code == 201
    secret = made.json()["token"]
    enter(guest, secret)
    listed = manager.get("/api/v1/tokens")
    assert secret not in listed.text
    assert digest_of(secret) not in listed.text
    held = {(token["kind"], token["name"]): token for token in listed.json()["items"]}
    assert held[("session", "the gauge")]["role"] == "viewer"
    assert guest.get("/api/v1/piles").status_code == 200
    address = f"/api/v1/tokens/{held[('bearer', 'the gauge')]['id']}"
    assert manager.delete(address).status_code == 204
    assert manager.delete(address).status_code == 404
    assert guest.get("/api/v1/piles").status_code == 401
    assert doors.client(Authorization=f"Bearer {secret}").get("/api/v1/piles").status_code == 401


@pytest.mark.parametrize(
    "change",
    [
        {"role": "owner"},
        {"name": ""},
        {"expires_at": "2026-11-25T06:00:00Z"},
        {"purpose": {}},
        {"digest": "x"},
    ],
)
def test_a_token_that_cannot_be_is_refused(doors: House, change: dict[str, object]) -> None:
    sent = {"role": "viewer", "name": "the gauge", **change}
    assert doors.client("manager").post("/api/v1/tokens", json=sent).status_code == 422


def test_guessed_tokens_are_slowed_but_a_good_one_is_let_in(house: House) -> None:
    guess = {"Authorization": "Bearer tb_guess"}
    client = house.client()
    statuses = [client.get("/api/v1/piles", headers=guess).status_code for _ in range(8)]
    assert statuses[0] == 401
    assert statuses[-1] == 429
    assert house.client("viewer").get("/api/v1/piles").status_code == 200


def test_the_memory_of_failures_is_bounded() -> None:
    slowdown = Slowdown(lambda: 0.0)
    for number in range(10_050):
        slowdown.failed(_from(f"10.0.{number // 256}.{number % 256}"))
    assert len(slowdown._failures) == 10_000


def _from(host: str) -> Request:
    return Request({"type": "http", "client": (host, 1), "headers": []})


def test_with_an_open_door_everyone_is_a_manager_but_other_sites_pages(tmp_path: Path) -> None:
    house = build_house(tmp_path, open_door=True)
    client = house.client()
    assert client.post("/api/v1/sites", json=SITE).status_code == 201
    other = {**SITE, "slug": "other"}
    foreign = {"Origin": "https://evil.example.com"}
    assert client.post("/api/v1/sites", json=other, headers=foreign).status_code == 403
    assert (
        client.post("/api/v1/sites", json=other, headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403
    )
    assert client.get("/api/v1/sites", headers=foreign).status_code == 200
    close_house(house)


def test_roles_climb() -> None:
    assert Caller("manager", "x").may("viewer")
    assert not Caller("viewer", "x").may("helper")
