"""The pages are whole without JavaScript."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser

from tests.pages.browser import DESK, PHONE, visitor
from tests.pages.server import Yard

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_the_curve_is_a_picture(larkfield: Yard, browser: Browser, size: tuple[int, int]) -> None:
    with visitor(browser, larkfield.address, larkfield.key, size=size, javascript=False) as context:
        page = context.new_page()
        pictures: list[tuple[str, int]] = []
        page.on("response", lambda answer: pictures.append((answer.url, answer.status)))
        page.goto("/piles/pile-K-01", wait_until="networkidle")
        assert [status for url, status in pictures if "curve.svg" in url] == [200]
        assert page.locator("img[alt^='Heat curve of K-01']").is_visible()


def test_a_turn_is_logged_by_a_plain_form(own_yard: Yard, browser: Browser) -> None:
    before = len(own_yard.parts.registry.piles.turns("pile-K-01"))
    with visitor(browser, own_yard.address, own_yard.key, javascript=False) as context:
        page = context.new_page()
        page.goto("/")
        page.get_by_role("link", name="K-01").click()
        page.get_by_role("button", name="Turned just now").click()
        assert "turn logged" in page.locator(".said").inner_text()
    turns = own_yard.parts.registry.piles.turns("pile-K-01")
    assert len(turns) == before + 1
    assert turns[-1].at == own_yard.clock.now()


def test_the_round_asks_to_be_loaded_again(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key, javascript=False) as context:
        page = context.new_page()
        page.goto("/")
        assert page.locator("meta[http-equiv=refresh]").count() == 1


@pytest.mark.parametrize("javascript", [True, False], ids=["scripts", "plain"])
def test_after_a_slip_the_way_back_leads_to_the_form_as_it_was_filled_in(
    own_yard: Yard, browser: Browser, javascript: bool
) -> None:
    """The page of a slip says so, where a form is not shown again with its slips."""
    with visitor(browser, own_yard.address, own_yard.key, javascript=javascript) as context:
        page = context.new_page()
        page.goto("/people")
        page.locator("summary").first.click()
        form = page.locator("form[action='/people']").first
        form.locator("input[name=name]").fill("Orla Fenwick")
        form.locator("input[name=zone]").fill("Nowhere/Else")
        with page.expect_navigation():
            form.locator("button").last.click()
        assert "Nowhere/Else" in page.get_by_role("alert").inner_text()
        assert "way back leads to the form as you filled it in" in page.locator("main").inner_text()
        page.go_back()
        assert form.locator("input[name=name]").input_value() == "Orla Fenwick"
        assert form.locator("input[name=zone]").input_value() == "Nowhere/Else"
    assert all(person.name != "Orla Fenwick" for person in own_yard.parts.registry.people.all())
