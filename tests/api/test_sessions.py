"""Sessions, the first-run key, and what other sites' pages cannot do."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from api.auth import SESSION_COOKIE, create_token, digest_of
from api.auth_csrf import csrf_token
from api.auth_session import first_run_key, safe_path
from api.auth_slowdown import Slowdown
from shared.times import DAY
from tests.api.conftest import NOW, House, enter

SITE = {"slug": "low-meadow", "name": "Low Meadow", "zone": "Europe/Dublin"}


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
