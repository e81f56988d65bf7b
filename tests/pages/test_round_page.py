"""The first screen: which pile next, why, how urgent, how old each figure is."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from shared.piles import Turn
from shared.times import Millis
from tests.pages.browser import DESK, PHONE, Complaints, visitor
from tests.pages.server import Yard, yard
from tests.pages.yard import Sketch

pytestmark = pytest.mark.browser


def test_an_empty_service_leads_to_setup(empty_yard: Yard, browser: Browser) -> None:
    with visitor(browser, empty_yard.address, empty_yard.key) as context:
        page = context.new_page()
        complaints = Complaints(page)
        page.goto("/")
        assert page.url.endswith("/setup")
        expect(page.get_by_label("Time zone")).to_have_value("Asia/Tokyo")  # the visitor's
        page.get_by_label("Name", exact=True).fill("Lärkfield Yard, west")
        expect(page.get_by_label("Short name")).to_have_value("larkfield-yard-west")
        page.get_by_label("Short name").fill("larkfield")
        page.get_by_label("Name", exact=True).fill("Larkfield Yard")
        expect(page.get_by_label("Short name")).to_have_value("larkfield")
        page.get_by_label("Time zone").fill("Europe/Dublin")
        page.get_by_role("button", name="Keep").click()
        page.get_by_role("link", name="Build a pile").click()
        page.get_by_label("Peg").fill("K-01")
        page.get_by_role("button", name="Build it").click()
        expect(page.locator("h1")).to_contain_text("K-01")
        page.goto("/")
        expect(page.locator(".pile")).to_contain_text("Place a probe")
        assert complaints.said == []


def test_the_pile_that_needs_hands_stands_first(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key) as context:
        page = context.new_page()
        page.goto("/")
        pegs = page.locator(".pile .peg a").all_inner_texts()
        assert pegs[0] == "K-03"
        assert sorted(pegs) == [f"K-0{n}" for n in range(1, 7)]
        assert "not to be trusted" in page.locator("main").inner_text()
        for row in page.locator(".pile").all():
            assert "ago" in row.inner_text(), "every figure carries its age"


def test_four_hundred_piles_and_hostile_pegs_fit_the_screen(browser: Browser, tmp_path: Path) -> None:
    """One is called ``<script>``, one as long as a peg may be without a space in it; the rest say little."""
    hostile = "<script>"
    long = "Hinterhofkompostmietenversuchsreihe-0042"
    sketches = tuple(
        Sketch(peg, 3.0, probe=False) for peg in (hostile, long, *(f"M-{index:03d}" for index in range(398)))
    )
    with (
        yard(tmp_path, sketches) as crowded,
        visitor(browser, crowded.address, crowded.key) as context,
    ):
        page = context.new_page()
        complaints = Complaints(page)
        for width in (PHONE[0], DESK[0]):
            page.set_viewport_size({"width": width, "height": 844})
            page.goto("/")
            expect(page.locator(".pile")).to_have_count(400)
            for path in (
                "/",
                f"/piles/pile-{long}",
                f"/notices?pile=pile-{long}",
                f"/labels?pile=pile-{long}",
            ):
                page.goto(path)
                assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, (width, path)
        page.goto("/")
        page.get_by_role("link", name=hostile, exact=True).click()
        expect(page.locator("h1")).to_contain_text(hostile)
        assert complaints.said == []


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_forty_piles_stay_readable(forty_piles: Yard, browser: Browser, size: tuple[int, int]) -> None:
    with visitor(browser, forty_piles.address, forty_piles.key, size=size) as context:
        page = context.new_page()
        complaints = Complaints(page)
        page.goto("/")
        assert page.locator(".pile").count() == 40
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
        tallest = max(row.bounding_box()["height"] for row in page.locator(".pile").all())  # type: ignore[index]  # a visible row has a box
        assert tallest < 260
        page.get_by_role("navigation", name="Site").get_by_role("link", name="Hollow Field").click()
        assert 0 < page.locator(".pile").count() < 40
        assert complaints.said == []


def test_old_figures_are_not_shown_as_the_present(silent_yard: Yard, browser: Browser) -> None:
    with visitor(browser, silent_yard.address, silent_yard.key) as context:
        page = context.new_page()
        page.goto("/")
        assert page.locator(".figure:not(.old)").count() == 0
        assert "30 h ago" in page.locator("main").inner_text()


def test_the_list_keeps_itself_up_to_date(own_yard: Yard, browser: Browser) -> None:
    with visitor(browser, own_yard.address, own_yard.key) as context:
        page = context.new_page()
        page.clock.install()
        page.goto("/")
        row = page.locator(".pile", has_text="K-02")
        was = row.locator(".turns").inner_text()
        own_yard.parts.registry.piles.add_turn(
            Turn("turn-new", "pile-K-02", Millis(own_yard.clock.now() - 1000))
        )
        deadline = time.monotonic() + 30
        while row.locator(".turns").inner_text() == was:  # a look that began before may be on its way still
            assert time.monotonic() < deadline
            page.clock.run_for(31_000)
            time.sleep(0.1)
