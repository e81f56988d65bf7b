"""Keyboard, landmarks, focus, motion; what axe-core finds stands with every page."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, Page

from tests.pages.browser import DESK, visitor
from tests.pages.server import Yard
from tests.pages.test_every_page import PAGES, WITH_CURVE, wake_the_curve

pytestmark = pytest.mark.browser

MARK_WHAT_TAKES_THE_FOCUS = """(() => {
    const all = [...document.querySelectorAll('a[href], button, input, select, textarea, summary, [tabindex="0"]')]
        .filter(e => e.checkVisibility({visibilityProperty: true}) && !e.disabled && e.type !== 'hidden');
    all.forEach((e, index) => { e.dataset.stop = index; });
    const radios = new Set();  // a group of radio buttons is one stop
    return all.filter(e => e.type !== 'radio' || !radios.has(e.form.action + e.name) && radios.add(e.form.action + e.name)).length;
})()"""
WHAT_HAS_THE_FOCUS = """(() => {
    const e = document.activeElement, box = e.getBoundingClientRect();
    if (e === document.body) return [null, true];
    return [Number(e.dataset.stop), box.bottom > 0 && box.top < innerHeight && box.right > 0];
})()"""


def test_the_first_key_skips_to_the_content(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key, size=DESK) as context:
        page = context.new_page()
        page.goto("/")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "content"


def test_the_keyboard_reaches_all_there_is_on_the_main_pages(larkfield: Yard, browser: Browser) -> None:
    """From the first to the last, in the order of the page; never caught, and what has the focus is in sight."""
    with visitor(browser, larkfield.address, larkfield.key, size=DESK) as context:
        page = context.new_page()
        for name in ("round", "pile", "notices", "batches", "people", "mix", "setup", "access"):
            page.goto(PAGES[name])
            if name in WITH_CURVE:
                wake_the_curve(page)
            wanted = page.evaluate(MARK_WHAT_TAKES_THE_FOCUS)
            reached: list[int] = []
            while len(reached) < wanted + 5:
                page.keyboard.press("Tab")
                at, seen = page.evaluate(WHAT_HAS_THE_FOCUS)
                if at is None or (len(reached) > 1 and at == reached[0]):  # the end, or round again
                    break
                assert seen, f"{name}: the {at}th has the focus out of sight"
                if not reached or reached[-1] != at:  # a time of day has several stops
                    reached.append(at)
            assert reached == sorted(set(reached)), name
            assert len(reached) >= wanted, f"{name}: {len(reached)} of {wanted}"


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
