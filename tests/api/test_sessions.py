"""Tokens, sessions, the first-run key, and what other sites' pages cannot do."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import Form, Request
from fastapi.responses import RedirectResponse, Response
from starlette.testclient import TestClient

from api.auth import SESSION_COOKIE, Caller, Viewer, create_token, digest_of
from api.auth_csrf import csrf_token
from api.auth_session import close_session, first_run_key, open_session, safe_path
from api.auth_slowdown import Slowdown
from shared.ids import new_id
from shared.people import Token
from shared.times import DAY, HOUR, Millis
from tests.api.conftest import NOW, House, build_house, close_house

SITE = {"slug": "low-meadow", "name": "Low Meadow", "zone": "Europe/Dublin"}


@pytest.fixture
def doors(tmp_path: Path) -> Iterator[House]:
    """A house with the plainest pages that use the session's mechanism."""
    house = build_house(tmp_path)

    @house.app.post("/test/enter")
    def enter(request: Request, key: str = Form(), onward: str = Form("/")) -> Response:
        session = open_session(request, key)
        answer = RedirectResponse(safe_path(onward), 303)
        session.attach(answer)
        return answer

    @house.app.post("/test/leave")
    def leave(request: Request, _: Viewer) -> Response:
        answer = RedirectResponse("/", 303)
        close_session(request, answer)
        return answer

    @house.app.post("/test/form")
    def form(caller: Viewer, word: str = Form()) -> dict[str, str]:
        return {"by": caller.name, "word": word}

    yield house
    close_house(house)


def enter(client: TestClient, key: str, **form: str) -> int:
    answer = client.post("/test/enter", data={"key": key, **form}, follow_redirects=False)
    return int(answer.status_code)


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
    token = Token(new_id(NOW), "x", "manager", NOW, digest_of("tb_one-site"), site="larkfield")
    house.parts.registry.access.add_token(token)
    assert house.client(Authorization="Bearer tb_one-site").get("/api/v1/piles").status_code == 401


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


def test_a_token_is_exchanged_for_a_session(doors: House) -> None:
    client = doors.client()
    answer = client.post(
        "/test/enter", data={"key": doors.tokens["manager"], "onward": "/round"}, follow_redirects=False
    )
    assert (answer.status_code, answer.headers["Location"]) == (303, "/round")
    cookie = answer.headers["Set-Cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert "secure" not in cookie
    assert doors.tokens["manager"].lower() not in cookie
    assert client.get("/api/v1/piles").status_code == 200


def test_over_https_the_cookie_stays_there(doors: House) -> None:
    client = TestClient(doors.app, base_url="https://turnbell.local")
    answer = client.post("/test/enter", data={"key": doors.tokens["viewer"]}, follow_redirects=False)
    assert "secure" in answer.headers["Set-Cookie"].lower()
    assert answer.headers["Strict-Transport-Security"].startswith("max-age=")


def test_a_session_is_new_at_every_entry(doors: House) -> None:
    client = doors.client()
    client.cookies.set(SESSION_COOKIE, "planted", domain="turnbell.local")
    assert enter(client, doors.tokens["viewer"]) == 303
    first = client.cookies.get(SESSION_COOKIE, domain="turnbell.local", path="/")
    other = doors.client()
    assert enter(other, doors.tokens["viewer"]) == 303
    assert len({"planted", first, other.cookies[SESSION_COOKIE]}) == 3


def test_a_session_has_the_role_of_its_token(doors: House) -> None:
    client = doors.client()
    enter(client, doors.tokens["viewer"])
    mark = {"X-CSRF-Token": csrf_token(client.cookies[SESSION_COOKIE])}
    assert client.post("/api/v1/sites", json=SITE, headers=mark).status_code == 403


def test_a_session_ends_when_it_is_left_when_time_is_up_and_with_its_token(doors: House) -> None:
    registry = doors.parts.registry
    left, revoked, aged = doors.client(), doors.client(), doors.client()
    enter(left, doors.tokens["manager"])
    cookie = left.cookies[SESSION_COOKIE]
    answer = left.post("/test/leave", data={"csrf": csrf_token(cookie)}, follow_redirects=False)
    assert answer.status_code == 303
    left.cookies.set(SESSION_COOKIE, cookie)
    assert left.get("/api/v1/piles").status_code == 401

    secret = create_token(registry, "viewer", "guest", NOW)
    enter(revoked, secret)
    assert revoked.get("/api/v1/piles").status_code == 200
    (parent,) = [token for token in registry.access.tokens() if token.digest == digest_of(secret)]
    registry.access.revoke(parent.id)
    assert revoked.get("/api/v1/piles").status_code == 401

    enter(aged, doors.tokens["manager"])
    doors.clock.ahead(30 * DAY)
    assert aged.get("/api/v1/piles").status_code == 401


def test_a_session_needs_its_mark_for_whatever_changes_something(doors: House) -> None:
    client = doors.client()
    enter(client, doors.tokens["manager"])
    mark = csrf_token(client.cookies[SESSION_COOKIE])
    assert client.post("/api/v1/sites", json=SITE).status_code == 403
    for wrong in ("", "x", mark[:-1], csrf_token("another session")):
        assert client.post("/api/v1/sites", json=SITE, headers={"X-CSRF-Token": wrong}).status_code == 403
    assert client.post("/api/v1/sites", json=SITE, headers={"X-CSRF-Token": mark}).status_code == 201
    assert client.post("/test/form", data={"word": "turn"}).status_code == 403
    sent = client.post("/test/form", data={"word": "turn", "csrf": mark})
    assert sent.json() == {"by": "the manager", "word": "turn"}
    by_parts = client.post("/test/form", data={"word": "turn", "csrf": mark}, files={"none": b""})
    assert by_parts.status_code == 200


def test_a_bearer_needs_no_mark(house: House, manager: TestClient) -> None:
    headers = {"Origin": "https://elsewhere.example.com", "Sec-Fetch-Site": "cross-site"}
    assert manager.post("/api/v1/sites", json=SITE, headers=headers).status_code == 201


def test_a_bad_token_is_not_saved_by_a_good_session(doors: House) -> None:
    client = doors.client()
    enter(client, doors.tokens["manager"])
    assert client.get("/api/v1/piles", headers={"Authorization": "Bearer tb_x"}).status_code == 401


def test_another_sites_form_cannot_open_a_session(doors: House) -> None:
    for headers in (
        {"Sec-Fetch-Site": "cross-site"}, {"Origin": "https://evil.example.com"}, {"Origin": "null"},
    ):  # fmt: skip
        client = doors.client()
        client.headers.update(headers)
        assert enter(client, doors.tokens["viewer"]) == 403
    assert enter(doors.client(Origin="http://turnbell.local"), doors.tokens["viewer"]) == 303


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


def test_sessions_whose_time_is_over_are_forgotten(doors: House) -> None:
    for _ in range(3):
        enter(doors.client(), doors.tokens["viewer"])
    doors.clock.ahead(31 * DAY)
    enter(doors.client(), doors.tokens["viewer"])
    kinds = [token["kind"] for token in doors.client("manager").get("/api/v1/tokens").json()["items"]]
    assert sorted(kinds) == ["bearer"] * 3 + ["session"]


def test_the_first_run_key_opens_one_session_once(doors: House) -> None:
    registry = doors.parts.registry
    assert first_run_key(registry, NOW) is None  # there is a manager's token already
    for token in registry.access.tokens():
        registry.access.revoke(token.id)
    unused, key = first_run_key(registry, NOW), first_run_key(registry, NOW)
    assert unused
    assert key
    client = doors.client()
    assert enter(client, unused) == 401  # withdrawn by the newer one
    assert client.get("/api/v1/piles", headers={"Authorization": f"Bearer {key}"}).status_code == 401
    assert enter(client, key) == 303
    mark = {"X-CSRF-Token": csrf_token(client.cookies[SESSION_COOKIE])}
    assert client.post("/api/v1/sites", json=SITE, headers=mark).status_code == 201
    assert enter(doors.client(), key) == 401
    assert first_run_key(registry, NOW) is None


def test_the_first_run_key_is_good_for_a_day(doors: House) -> None:
    registry = doors.parts.registry
    for token in registry.access.tokens():
        registry.access.revoke(token.id)
    key = first_run_key(registry, NOW) or ""
    doors.clock.ahead(DAY)
    assert enter(doors.client(), key) == 401


def test_wrong_keys_are_answered_ever_more_rarely(doors: House) -> None:
    clock = [0.0]
    doors.app.state.slowdown = Slowdown(lambda: clock[0])
    client = doors.client()
    assert [enter(client, "tb_guess") for _ in range(6)] == [401] * 6
    answer = client.post("/test/enter", data={"key": doors.tokens["viewer"]})
    assert answer.status_code == 429
    assert int(answer.headers["Retry-After"]) >= 1
    clock[0] += 1.1
    assert enter(client, "tb_guess") == 401
    assert enter(client, "tb_guess") == 429
    clock[0] += 1.1
    assert enter(client, "tb_guess") == 429
    clock[0] += 300
    assert enter(client, doors.tokens["viewer"]) == 303
    assert enter(client, "tb_guess") == 401


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


@pytest.mark.parametrize(
    ("asked", "given"),
    [
        ("/piles/1?x=2", "/piles/1?x=2"), (None, "/"), ("", "/"), ("//evil.example.com", "/"),
        ("/\\evil.example.com", "/"), ("https://evil.example.com", "/"), ("/a\r\nSet-Cookie: x", "/"),
        ("javascript:alert(1)", "/"),
    ],
)  # fmt: skip
def test_the_way_on_stays_with_us(asked: str | None, given: str) -> None:
    assert safe_path(asked) == given


def test_a_visitor_without_a_key_is_shown_the_door(house: House) -> None:
    client = house.client()
    answer = client.get("/test/nothing", headers={"Accept": "text/html"}, follow_redirects=False)
    assert answer.status_code == 404
    refused = client.get("/api/v1/piles?open=true", headers={"Accept": "text/html"}, follow_redirects=False)
    assert refused.status_code == 401


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
