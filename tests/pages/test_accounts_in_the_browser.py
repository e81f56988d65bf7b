"""From the first link to the second factor as a person walks it, each page on the way looked at by axe."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pyotp
import pytest
from playwright.sync_api import Browser, Page, expect

from api.auth_session import first_run_key
from shared.times import MINUTE
from tests.api.conftest import House, build_house, close_house
from tests.pages.axe import serious_violations
from tests.pages.browser import DESK, PHONE, Scheme, visitor
from tests.pages.server import serve

pytestmark = pytest.mark.browser
PASSWORD = "wheelbarrow and fork 7"


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    built = build_house(tmp_path)
    for token in built.parts.registry.access.tokens():
        built.parts.registry.access.revoke(token.id)
    yield built
    close_house(built)


def code(house: House, secret: str) -> str:
    return pyotp.TOTP(secret).at(house.clock.now() // 1000)


def press(page: Page, name: str) -> None:
    """And wait for the page that answers."""
    with page.expect_navigation():
        page.get_by_role("button", name=name).click()


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), (DESK, "dark")], ids=["phone", "desk"])
def test_every_door_is_found_by_eye_hand_and_ear(
    house: House, browser: Browser, axe: str, size: tuple[int, int], scheme: Scheme
) -> None:
    found: dict[str, list[str]] = {}

    def look(page: Page, name: str) -> None:
        for summary in page.locator("summary").all():
            summary.evaluate("one => { one.parentElement.open = true; }")
        too_wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        found[name] = serious_violations(page, axe) + [f"{too_wide} px too wide"] * (too_wide > 0)

    with (
        serve(house.parts) as address,
        visitor(browser, address, None, size=size, scheme=scheme) as context,
    ):
        page = context.new_page()
        page.goto(f"/join?key={first_run_key(house.parts.registry, house.clock.now())}")
        look(page, "first-link")
        page.get_by_label("Your name").fill("Orla Fenwick")
        page.get_by_label("Name to sign in with").fill("orla")
        page.get_by_label("Password").fill(PASSWORD)
        press(page, "Keep and come in")

        page.goto("/access")
        page.get_by_label("On every site").last.select_option("helper")
        press(page, "Make a link")
        look(page, "invitation")
        page.get_by_label("Whose or what it is").fill("the shed's display")
        press(page, "Make a key")
        look(page, "new-key")
        page.goto("/audit")
        look(page, "audit")

        page.goto("/account")
        look(page, "account")
        press(page, "Set it up")
        secret = re.sub(r"\s", "", page.locator("p.small code").first.inner_text())
        page.get_by_label("Code").fill("000000" if code(house, secret) != "000000" else "111111")
        press(page, "Switch on")
        expect(page.get_by_role("alert")).to_contain_text("does not fit")
        look(page, "second-factor-wrong")
        page.get_by_label("Code").fill(code(house, secret))
        press(page, "Switch on")
        expect(page.get_by_role("status")).to_contain_text("ten codes")
        look(page, "codes-on-paper")
        page.goto("/account")
        look(page, "account-with-second-factor")

        context.clear_cookies()
        page.goto("/enter")
        for password in ("not the one at all", PASSWORD):
            page.get_by_label("Name").fill("orla")
            page.get_by_label("Password").fill(password)
            press(page, "Sign in")
            look(page, "code" if password == PASSWORD else "sign-in-wrong")
        house.clock.ahead(MINUTE)
        page.get_by_label("Code").fill(code(house, secret))
        press(page, "Come in")
        page.goto("/account")
        expect(page.get_by_text("Orla Fenwick", exact=True)).to_be_visible()
    assert len(found) == 10
    assert {name: faults for name, faults in found.items() if faults} == {}
