"""Every page, small and large, by day and by night: opens, fits, says nothing in the console, and is accessible."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Browser, Page

from tests.pages.axe import serious_violations
from tests.pages.browser import DESK, PHONE, Complaints, Scheme, visitor
from tests.pages.server import Yard

PAGES = {
    "round": "/",
    "pile": "/piles/pile-K-01",
    "hot-pile": "/piles/pile-K-03",
    "figures": "/piles/pile-K-02/figures",
    "finished-pile": "/piles/pile-K-07",
    "new-pile": "/piles/new",
    "mix": "/mix",
    "mix-answered": "/mix?stuff=grass+clippings&amount=40&unit=buckets&stuff=leaves&amount=&unit=free&count=4&bucket_l=15",
    "mix-of-the-yard": "/mix?stuff=horse+manure&amount=600&unit=have_kg&stuff=straw&amount=1500&unit=have_l&rule=us-organic-windrow",
    "feedstocks": "/mix/feedstocks?change=straw",
    "import": "/piles/pile-K-01/import",
    "build": "/piles/build?stuff=straw&amount=20&unit=buckets&stuff=horse+manure&amount=30&unit=buckets&name=stable",
    "build-record": "/piles/pile-K-02/build",
    "notices": "/notices",
    "notices-of-a-pile": "/notices?pile=pile-K-01",
    "batches": "/batches",
    "batch": "/batches/pile-K-07",
    "lessons": "/batches/compare",
    "compare": "/batches/compare?id=pile-K-07&id=pile-K-08",
    "probes": "/probes",
    "people": "/people",
    "rules": "/rules",
    "setup": "/setup",
    "quarantine": "/quarantine",
    "labels": "/labels",
    "help": "/help",
    "guide": "/help/heat_curve",
    "enter": "/enter",
    "account": "/account",
    "access": "/access",
    "audit": "/audit",
    "security": "/help/security",
}
PROSE = {"help", "guide", "security", "rules"}
WITH_CURVE = {"pile", "hot-pile", "finished-pile", "batch"}
TOO_SMALL = """[...document.querySelectorAll('button, .button, summary, nav a, select, textarea, .onward, label.pick,'
       + ' .choices label, tbody th a, .need a, input:not([type=hidden])')]
   .filter(e => e.offsetParent && !['radio', 'checkbox'].includes(e.type) && e.getBoundingClientRect().height < 47.5)
   .map(e => e.textContent || e.name)"""

pytestmark = pytest.mark.browser


@pytest.mark.parametrize(
    ("size", "scheme"), [(PHONE, "light"), (DESK, "dark")], ids=["phone-light", "desk-dark"]
)
def test_every_page_opens_fits_is_quiet_and_accessible_for_eye_and_finger(
    larkfield: Yard, browser: Browser, axe: str, size: tuple[int, int], scheme: Scheme
) -> None:
    """The first load of each is in one size; the other size of the scheme is shown by the same window, drawn anew.

    What a finger touches is 48 px high, the size that platform guides ask for (common practice, no source); links within
    a sentence are let be. No instant is shown as machines write it.
    """
    with visitor(browser, larkfield.address, larkfield.key, size=size, scheme=scheme) as context:
        violations: dict[str, list[str]] = {}
        small: dict[str, list[str]] = {}
        instants: dict[str, list[str]] = {}
        page = context.new_page()
        complaints = Complaints(page)
        for name, path in PAGES.items():
            answer = page.goto(path)
            assert answer is not None
            assert answer.status == 200, name
            if name in WITH_CURVE:
                wake_the_curve(page)
            assert page.locator("h1").count() == 1, name
            for width, height in (DESK if size == PHONE else PHONE, size):
                page.set_viewport_size({"width": width, "height": height})
                too_wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
                assert too_wide <= 0, f"{name} is {too_wide} px too wide at {width}"
            small[name] = page.evaluate(TOO_SMALL) if size == PHONE and name not in PROSE else []
            unfold(page)
            if name not in PROSE:
                said = page.locator("main").inner_text()
                instants[name] = re.findall(r".{0,30}\d{4}-\d\d-\d\d.{0,12}", said)
            violations[name] = serious_violations(page, axe)
            assert complaints.said == [], name
        assert {name: found for name, found in violations.items() if found} == {}
        assert {name: found for name, found in small.items() if found} == {}
        assert {name: found for name, found in instants.items() if found} == {}


def test_every_page_reads_in_fahrenheit(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key, fahrenheit=True) as context:
        page = context.new_page()
        complaints = Complaints(page)
        for name in ("round", "pile", "figures", "batches", "batch", "probes", "rules"):
            page.goto(PAGES[name])
            text = page.locator("main").inner_text()
            assert "°F" in text, name
            assert "°C" not in text.replace("55, 65 and 70 °C", ""), name
        assert complaints.said == []


def test_an_error_is_a_page_in_words(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key) as context:
        page = context.new_page()
        answer = page.goto("/piles/nowhere")
        assert answer is not None
        assert answer.status == 404
        assert page.get_by_role("alert").is_visible()
        assert "Traceback" not in page.content()


def wake_the_curve(page: Page) -> None:
    page.locator("[data-curve]").scroll_into_view_if_needed()
    page.wait_for_selector("[data-alive=yes]")


def unfold(page: Page) -> None:
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
