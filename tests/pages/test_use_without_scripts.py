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
