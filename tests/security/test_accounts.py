"""Accounts: the owner's link, invitations, passwords, sessions, the second factor."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any

import pyotp
import pytest

from api import auth_password
from api.auth import SESSION_COOKIE
from api.auth_password import PasswordError, check_password, is_breached
from api.auth_session import first_run_key
from shared.piles import Site
from shared.times import DAY, HOUR, SECOND
from tests.api.conftest import House
from tests.security.conftest import PASSWORD, invited, key_in, owner, send, sign_in, visitor

PILES = "/api/v1/piles"


def test_the_owner_comes_in_by_a_printed_link_that_works_once(house: House) -> None:
    registry = house.parts.registry
    for token in registry.access.tokens():
        registry.access.revoke(token.id)
    key = first_run_key(registry, house.clock.now())
    client = visitor(house)
    shown = client.get(f"/enter?key={key}")
    assert "The owner&#39;s account" in shown.text or "The owner's account" in shown.text
    made = send(client, "/join", key=key, login="Orla", name="Orla Fenwick", password=PASSWORD)
    assert (made.status_code, made.headers["location"]) == (303, "/")
    assert client.get("/api/v1/accounts").json()["items"][0]["role"] == "manager"
    assert send(visitor(house), "/join", key=key, login="eve", name="E", password=PASSWORD).status_code == 410
    assert first_run_key(registry, house.clock.now()) is None


def test_name_and_password_open_and_nothing_else_does(house: House) -> None:
    owner(house)
    assert sign_in(house, " ORLA ").get(PILES).status_code == 200
    answers = [
        send(visitor(house), "/enter", login=login, password=password)
        for login, password in (("orla", "wrong password 77"), ("nobody", PASSWORD), ("orla", ""))
    ]
    assert [answer.status_code for answer in answers] == [401, 401, 401]
    assert len({re.sub(r'(value|nonce)="[^"]*"', "", answer.text) for answer in answers}) == 1


def test_the_choice_of_units_goes_with_the_person_to_another_phone(house: House) -> None:
    chosen = owner(house)
    assert "°C" in chosen.get("/rules").text
    assert send(chosen, "/preferences", units="fahrenheit", next="/rules").status_code == 303
    for client in (chosen, sign_in(house, "orla")):
        assert 'value="fahrenheit" aria-pressed="true"' in client.get("/rules").text
    assert (
        'value="celsius" aria-pressed="true"'
        in invited(house, chosen, "tam", role="viewer").get("/rules").text
    )


def test_a_name_that_is_not_there_costs_the_same_work(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted, not timed: the one costly step is done once for either."""
    owner(house)
    worked: list[str] = []
    verify = auth_password._hasher.verify

    def counted(password: str, held: str) -> Any:
        worked.append(held.split("$")[3])  # Argon2's costs
        return verify(password, held)

    monkeypatch.setattr(auth_password._hasher, "verify", counted)
    for login in ("orla", "nobody"):
        send(visitor(house), "/enter", login=login, password="wrong password 77")
    assert len(worked) == 2
    assert worked[0] == worked[1]


def test_an_invitation_makes_one_account_of_its_roles_within_its_time(house: House) -> None:
    house.parts.registry.sites.add(Site("meadow", "Low Meadow", "UTC"))
    manager = owner(house)
    tam = invited(house, manager, "tam", meadow="manager")
    assert [site["slug"] for site in tam.get("/api/v1/sites").json()["items"]] == ["meadow"]
    page = send(manager, "/access/invitations", role="viewer")
    key = key_in(page.text)
    taken = send(visitor(house), "/join", key=key, login="tam", name="T", password=PASSWORD)
    assert (taken.status_code, "already" in taken.text) == (409, True)
    house.clock.ahead(72 * HOUR)
    assert send(visitor(house), "/join", key=key, login="eve", name="E", password=PASSWORD).status_code == 410


@pytest.mark.parametrize(
    ("password", "why"),
    [("short", "12"), ("orla fenwick orla", "name"), ("aaaaaaaaaaaaaaa", "repeats"), ("x" * 300, "256")],
)
def test_a_weak_password_is_refused_in_words(password: str, why: str) -> None:
    with pytest.raises(PasswordError, match=why):
        check_password(password, "orla", None)


def test_a_list_of_breached_passwords_is_used_when_it_is_there(tmp_path: Path) -> None:
    known = [f"known password {number}" for number in range(300)]
    plain, hashed = tmp_path / "plain.txt", tmp_path / "hashed.txt"
    plain.write_text("\n".join(known), "utf-8")
    lines = sorted(hashlib.sha1(word.encode()).hexdigest().upper() + ":7" for word in known)
    hashed.write_text("\r\n".join(lines) + "\r\n", "utf-8")
    for file in (plain, hashed):
        assert all(is_breached(word, file) for word in known)
        assert not any(is_breached(f"fresh password {number}", file) for number in range(300))
    with pytest.raises(PasswordError, match="list of known"):
        check_password(known[7], "orla", hashed)


def test_a_session_ends_unused_in_the_end_and_by_hand(house: House) -> None:
    first = owner(house)
    for _ in range(4):
        house.clock.ahead(6 * DAY)
        assert first.get(PILES).status_code == 200
    house.clock.ahead(6 * DAY)
    assert first.get(PILES).status_code == 401  # 30 days
    idle, used = sign_in(house, "orla"), sign_in(house, "orla")
    house.clock.ahead(4 * DAY)
    assert used.get(PILES).status_code == 200
    house.clock.ahead(3 * DAY)
    assert (idle.get(PILES).status_code, used.get(PILES).status_code) == (401, 200)
    other = sign_in(house, "orla")
    page = used.get("/account").text
    (ended,) = re.findall(r"/account/sessions/([^/]+)/end", page)
    assert send(used, f"/account/sessions/{ended}/end").status_code == 303
    assert (other.get(PILES).status_code, used.get(PILES).status_code) == (401, 200)


def test_a_planted_session_is_worth_nothing_after_the_door(house: House) -> None:
    """Fixation: whatever cookie the browser came with ends when somebody signs in."""
    owner(house)
    attacker = sign_in(house, "orla")
    planted = attacker.cookies[SESSION_COOKIE]
    victim = visitor(house)
    victim.cookies.set(SESSION_COOKIE, planted, domain="turnbell.local")
    assert send(victim, "/enter", login="orla", password=PASSWORD).status_code == 303
    assert victim.cookies.get(SESSION_COOKIE, domain="turnbell.local", path="/") != planted
    assert attacker.get(PILES).status_code == 401


def test_a_new_password_ends_the_other_sessions(house: House) -> None:
    owner(house)
    here, there = sign_in(house, "orla"), sign_in(house, "orla")
    before = here.cookies[SESSION_COOKIE]
    assert send(here, "/account/password", old="not it at all", new="barrow of leaves 12").status_code == 403
    assert send(here, "/account/password", old=PASSWORD, new="barrow of leaves 12").status_code == 303
    assert here.cookies[SESSION_COOKIE] != before
    assert (here.get(PILES).status_code, there.get(PILES).status_code) == (200, 401)
    sign_in(house, "orla", "barrow of leaves 12")


def test_what_is_taken_away_is_gone_at_once(house: House) -> None:
    manager = owner(house)
    tam = invited(house, manager, "tam", role="helper")
    account = next(one for one in house.parts.registry.accounts.all() if one.login == "tam")
    assert tam.get("/api/v1/people").status_code == 200
    assert send(manager, f"/access/accounts/{account.id}", name="Tam", role="viewer").status_code == 303
    assert tam.get("/api/v1/people").status_code == 403
    assert send(manager, f"/access/accounts/{account.id}/switch", disabled="yes").status_code == 303
    assert tam.get(PILES).status_code == 401
    assert send(visitor(house), "/enter", login="tam", password=PASSWORD).status_code == 401


def test_the_last_manager_stays(house: House) -> None:
    manager = owner(house)
    me = house.parts.registry.accounts.all()[0].id
    assert send(manager, f"/access/accounts/{me}", name="Orla", role="viewer").status_code == 409
    assert send(manager, f"/access/accounts/{me}/switch", disabled="yes").status_code == 409
    assert send(manager, f"/access/accounts/{me}/delete").status_code == 409
    assert manager.get("/api/v1/accounts").status_code == 200


def test_a_link_for_a_new_password_ends_the_old_one(house: House) -> None:
    manager = owner(house)
    tam = invited(house, manager, "tam", role="helper")
    account = next(one for one in house.parts.registry.accounts.all() if one.login == "tam")
    page = send(manager, f"/access/accounts/{account.id}/renew")
    fresh = visitor(house)
    assert send(fresh, "/join", key=key_in(page.text), password="barrow of leaves 12").status_code == 303
    assert (fresh.get(PILES).status_code, tam.get(PILES).status_code) == (200, 401)
    assert send(visitor(house), "/enter", login="tam", password=PASSWORD).status_code == 401


def test_the_second_factor_is_asked_for_and_no_code_opens_twice(house: House) -> None:
    manager = owner(house)
    begun = send(manager, "/account/second/begin").text
    (secret,) = re.findall(r'name="secret" value="([A-Z2-7]+)"', begun)
    assert "data:image/svg+xml" in begun
    totp = pyotp.TOTP(secret)

    def code() -> str:
        return totp.at(house.clock.now() // SECOND)

    assert send(manager, "/account/second/on", secret=secret, code="000000").status_code == 422
    on = send(manager, "/account/second/on", secret=secret, code=code()).text
    papers = re.findall(r"<code>([A-Z2-9]{5}-[A-Z2-9]{5})</code>", on)
    assert len(set(papers)) == 10

    def half() -> Any:
        client = visitor(house)
        asked = send(client, "/enter", login="orla", password=PASSWORD)
        assert (asked.status_code, SESSION_COOKIE in client.cookies) == (200, False)
        assert client.get(PILES).status_code == 401
        return client

    used = code()
    assert send(half(), "/enter/code", code=used).status_code == 401  # it switched the factor on
    house.clock.ahead(30 * SECOND)
    first, second = half(), half()
    assert send(first, "/enter/code", code=code()).status_code == 303
    assert first.get(PILES).status_code == 200
    assert send(second, "/enter/code", code=code()).status_code == 401
    assert send(second, "/enter/code", code=papers[3].lower()).status_code == 303
    assert send(half(), "/enter/code", code=papers[3]).status_code == 401
    late = half()
    house.clock.ahead(5 * 60 * SECOND)
    assert send(late, "/enter/code", code=code()).status_code == 401
    assert send(first, "/account/second/off", code="123456").status_code == 403
    assert send(first, "/account/second/off", code=code()).status_code == 303
    sign_in(house, "orla")
