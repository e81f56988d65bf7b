"""The curve comes alive under a policy that forbids eval: hover, drag, pinch, keys, buttons; finer as one looks nearer."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.pages.browser import DESK, PHONE, Complaints, visitor
from tests.pages.server import Yard

pytestmark = pytest.mark.browser


# in a later task: what a debugger asks directly is outside the policy
EVAL_LATER = """new Promise((done) => setTimeout(() => {
  try { done(new Function("return 1")()); } catch { done("forbidden"); }
}))"""


def open_curve(page: Page) -> dict[str, float]:
    page.goto("/piles/pile-K-02")
    page.locator("[data-curve]").scroll_into_view_if_needed()
    page.wait_for_selector("[data-alive=yes]")
    page.locator(".stage").scroll_into_view_if_needed()
    box = page.locator(".stage").bounding_box()
    assert box is not None
    return dict(box)  # type: ignore[arg-type]  # four floats by name


OUTLOOK_H = 48
HOUR_MS = 3_600_000


def asked_span(url: str) -> int:
    fields = dict(part.split("=") for part in url.partition("?")[2].split("&"))
    return int(fields["to"]) - int(fields["from"])


def test_the_policy_forbids_eval_and_the_curve_lives(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key, size=DESK) as context:
        page = context.new_page()
        complaints = Complaints(page)
        policies: list[str] = []
        page.on("response", lambda answer: policies.append(answer.headers.get("content-security-policy", "")))
        open_curve(page)
        assert policies
        assert all("script-src 'self'" in policy and "unsafe" not in policy for policy in policies)
        assert page.evaluate(EVAL_LATER) == "forbidden"
        assert [line for line in complaints.said if "unsafe-eval" not in line] == []


def test_values_stand_under_the_pointer_in_the_sites_time(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key, size=DESK) as context:
        page = context.new_page()
        box = open_curve(page)
        page.mouse.move(box["x"] + box["width"] - 90, box["y"] + box["height"] / 2)
        said = page.locator(".curve output")
        expect(said).to_contain_text("outlook for the hottest: about")
        expect(said).to_contain_text("27 Nov")
        with page.expect_response(lambda answer: "from=" in answer.url):
            page.get_by_role("button", name="The last 1 day").click()
        page.mouse.move(box["x"] + box["width"] / 4, box["y"] + box["height"] / 2)
        expect(said).to_contain_text("75 cm: 6")
        expect(said).to_contain_text("25 Nov")


def test_buttons_and_keys_move_and_zoom_and_finer_data_comes(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key, size=DESK) as context:
        page = context.new_page()
        complaints = Complaints(page)
        open_curve(page)
        with page.expect_response(lambda answer: "from=" in answer.url) as day:
            page.get_by_role("button", name="The last 1 day").click()
        # the last day of readings, and what is ahead
        assert asked_span(day.value.url) == (24 + OUTLOOK_H) * HOUR_MS
        with page.expect_response(lambda answer: "from=" in answer.url) as nearer:
            page.locator(".stage").focus()
            page.keyboard.press("+")
        assert asked_span(nearer.value.url) == (24 + OUTLOOK_H) / 2 * HOUR_MS
        assert len(nearer.value.json()["datasets"]["curve"]) > 50  # every reading of its six hours
        with page.expect_response(lambda answer: "from=" in answer.url) as whole:
            page.keyboard.press("0")
        assert asked_span(whole.value.url) > 8 * 24 * 3_600_000
        assert complaints.said == []


def test_dragging_moves_along_time(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key, size=DESK) as context:
        page = context.new_page()
        box = open_curve(page)
        with page.expect_response(lambda answer: "from=" in answer.url) as before:
            page.get_by_role("button", name="The last 3 days").click()
        first = int(before.value.url.partition("from=")[2].partition("&")[0])
        with page.expect_response(lambda answer: "from=" in answer.url) as after:
            page.mouse.move(box["x"] + 300, box["y"] + 150)
            page.mouse.down()
            page.mouse.move(box["x"] + 450, box["y"] + 150, steps=5)
            page.mouse.move(box["x"] + 600, box["y"] + 150, steps=5)
            page.mouse.up()
        assert int(after.value.url.partition("from=")[2].partition("&")[0]) < first


def test_two_fingers_zoom(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key, size=PHONE, touch=True) as context:
        page = context.new_page()
        box = open_curve(page)
        session = context.new_cdp_session(page)
        x, y = box["x"] + box["width"] / 2, box["y"] + 100

        def touch(kind: str, half: float) -> None:
            points = (
                []
                if kind == "touchEnd"
                else [{"x": x - half, "y": y, "id": 1}, {"x": x + half, "y": y, "id": 2}]
            )
            session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        with page.expect_response(lambda answer: "from=" in answer.url) as finer:
            touch("touchStart", 30)
            for half in (40, 55, 70, 90):
                touch("touchMove", half)
            touch("touchEnd", 0)
        assert asked_span(finer.value.url) < 6 * 24 * 3_600_000


def test_a_tap_reads_values(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key, size=PHONE, touch=True) as context:
        page = context.new_page()
        box = open_curve(page)
        page.touchscreen.tap(box["x"] + box["width"] * 0.4, box["y"] + 120)
        expect(page.locator(".curve output")).to_contain_text("75 cm:")


def test_the_printed_curve_is_as_wide_as_the_paper_and_whole(larkfield: Yard, browser: Browser) -> None:
    with visitor(browser, larkfield.address, larkfield.key, size=DESK) as context:
        page = context.new_page()
        open_curve(page)
        page.emulate_media(media="print")
        page.set_viewport_size({"width": 700, "height": 900})
        drawn = page.locator(".stage svg, .stage canvas").bounding_box()
        figure = page.locator("figure.curve").bounding_box()
        assert drawn is not None
        assert figure is not None
        assert drawn["x"] + drawn["width"] <= figure["x"] + figure["width"] + 1
        expect(page.locator(".curve output")).to_be_hidden()
