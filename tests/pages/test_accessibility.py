"""Keyboard, landmarks, focus, motion; and what axe-core finds on every page."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, Page

from tests.pages.axe import axe_source, serious_violations
from tests.pages.browser import DESK, PHONE, Scheme, visitor
from tests.pages.server import Yard
from tests.pages.test_every_page import PAGES, WITH_CURVE, wake_the_curve

pytestmark = pytest.mark.browser


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    return axe_source(tmp_path_factory.mktemp("axe"))


@pytest.mark.parametrize(
    ("size", "scheme"), [(PHONE, "light"), (DESK, "dark")], ids=["phone-light", "desk-dark"]
)
def test_axe_finds_nothing_serious(
    larkfield: Yard, browser: Browser, axe: str, size: tuple[int, int], scheme: Scheme
) -> None:
    with visitor(browser, larkfield.address, larkfield.key, size=size, scheme=scheme) as context:
        page = context.new_page()
        found: dict[str, list[str]] = {}
        for name, path in PAGES.items():
            page.goto(path)
            if name in WITH_CURVE:
                wake_the_curve(page)
            for summary in page.locator("summary").all():
                summary.evaluate("one => { one.parentElement.open = true; }")
            violations = serious_violations(page, axe)
            if violations:
                found[name] = violations
        assert found == {}


def test_the_first_key_skips_to_the_content(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key, size=DESK) as context:
        page = context.new_page()
        page.goto("/")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "content"


def test_a_turn_can_be_logged_with_the_keyboard_alone(own_yard: Yard, browser: Browser) -> None:
    before = len(own_yard.parts.registry.piles.turns("pile-K-01"))
    with visitor(browser, own_yard.address, own_yard.key, size=DESK) as context:
        page = context.new_page()
        page.goto("/")
        press_until(page, "K-01")
        page.keyboard.press("Enter")
        page.wait_for_url("**/piles/pile-K-01")
        press_until(page, "Turned just now")
        page.keyboard.press("Enter")
        page.wait_for_selector(".said")
    assert len(own_yard.parts.registry.piles.turns("pile-K-01")) == before + 1


def test_who_wants_no_motion_gets_none(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key) as context:
        page = context.new_page()
        page.emulate_media(reduced_motion="reduce")
        page.goto("/piles/pile-K-01")
        moving = page.evaluate(
            """[...document.querySelectorAll('*')].filter(e => { const s = getComputedStyle(e);
               return parseFloat(s.transitionDuration) > 0 || parseFloat(s.animationDuration) > 0; }).length"""
        )
        assert moving == 0


def press_until(page: Page, words: str) -> None:
    """Go on with the tab key until what has the focus says ``words``."""
    for _ in range(80):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent.trim()") == words:
            return
    raise AssertionError(f"the keyboard does not reach {words!r}")
