"""Two people take a batch from the mix to its record with nothing but the pages: no paper, no other tool."""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pypdf
import pytest
from playwright.sync_api import Browser, Page

from shared.readings import Reading, SensorKey
from shared.times import DAY, HOUR, Millis
from tests.pages.browser import DESK, PHONE, visitor
from tests.pages.server import Yard

pytestmark = pytest.mark.browser
LEARNERS_DAYS = ((1, 52), (2, 61), (3, 63), (4, 58), (5, 62))
PROBES = 40


def test_a_learner_with_a_hand_thermometer(empty_yard: Yard, browser: Browser, tmp_path: Path) -> None:
    start = empty_yard.clock.at
    with visitor(browser, empty_yard.address, empty_yard.key, size=PHONE, javascript=False) as context:
        page = context.new_page()
        name_the_site(page)
        page.goto("/mix")
        fill_mix(
            page, [("grass clippings", "12", "buckets"), ("leaves", "30", "buckets"), ("straw", "", "free")]
        )
        page.get_by_role("button", name="Work it out").click()
        assert "What goes in" in page.locator("main").inner_text()
        page.screenshot(path=tmp_path / "learner-mix.png", full_page=True)
        page.get_by_role("link", name="Build a pile of this").click()
        build(page, "K-01", first="12")
        assert "K-01 is built" in page.locator(".said").inner_text()
        pile = page.url

        for day, celsius in LEARNERS_DAYS:
            empty_yard.clock.at = Millis(start + day * DAY)
            page.goto(pile)
            hand_reading(page, celsius)
            if day == 3:
                page.goto(pile)
                page.get_by_role("button", name="Turned just now").click()
                assert "turn logged" in page.locator(".said").inner_text()
        said = page.locator("main").inner_text()
        assert "Read by hand: 6 hand readings" in said
        page.screenshot(path=tmp_path / "learner-pile.png", full_page=True)

        first = finish_and_read(page, pile)
        page.screenshot(path=tmp_path / "learner-batch.png", full_page=True)
    for part in (
        "Larkfield Yard",
        "grass clippings",
        "1 recorded",
        "6 hand readings",
        "was not seen",
        "Maker",
    ):
        assert part in first


def test_a_maker_with_forty_probes(empty_yard: Yard, browser: Browser, tmp_path: Path) -> None:
    start = empty_yard.clock.at
    with visitor(browser, empty_yard.address, empty_yard.key, size=DESK) as context:
        page = context.new_page()
        name_the_site(page)
        page.goto("/mix")
        fill_mix(
            page,
            [("horse manure", "4000", "have_kg"), ("straw", "20000", "have_l"), ("leaves", "6000", "have_l")],
        )
        page.locator("#answer").get_by_text("What goes in").wait_for()  # it follows what is typed
        page.get_by_role("button", name="Work it out").click()
        page.wait_for_url("**#answer")
        page.get_by_role("link", name="Build a pile of this").click()
        build(page, "W-01", first="14")
        pile = page.url

        turns = (4,)
        for day in (4, 8):
            send(empty_yard, start, day, turns)
            empty_yard.clock.at = Millis(start + day * DAY)
            if day == 4:
                place_all(page, pile)
            page.goto(pile)
            if day in turns:
                page.get_by_role("button", name="Turned just now").click()
                page.locator(".log").get_by_text(f"Turn {turns.index(day) + 1}").wait_for()
        page.goto(pile)
        said = page.locator("main").inner_text()
        assert said.count("lance-") >= PROBES
        page.screenshot(path=tmp_path / "maker-pile.png", full_page=True)
        first = finish_and_read(page, pile)
        page.screenshot(path=tmp_path / "maker-batch.png", full_page=True)
        page.goto("/batches/compare")
        assert "W-01" in page.locator("main").inner_text()
    assert "40 sensors" in first
    assert "1 recorded" in first
    assert "hand readings" not in first


def name_the_site(page: Page) -> None:
    page.goto("/setup")
    page.get_by_label("Name", exact=True).fill("Larkfield Yard")
    page.get_by_label("Short name").fill("larkfield")
    page.get_by_label("Time zone").fill("Europe/Dublin")
    page.get_by_role("button", name="Keep").first.click()
    page.get_by_text("Larkfield Yard is there").wait_for()


def fill_mix(page: Page, stuffs: list[tuple[str, str, str]]) -> None:
    for row, (name, amount, unit) in enumerate(stuffs):
        field = page.locator("fieldset.stuff").nth(row)
        field.locator("[name=stuff]").fill(name)
        field.locator("[name=amount]").fill(amount)
        field.locator("[name=unit]").select_option(unit)


def build(page: Page, peg: str, first: str) -> None:
    page.get_by_role("textbox", name="Peg", exact=True).fill(peg)
    page.get_by_role("textbox", name="Who built it").fill("Maker")
    page.get_by_role("textbox", name="Weather").fill("dry")
    page.get_by_role("radio", name="a few drops").check()
    page.get_by_role("textbox", name="First reading").fill(first)
    page.get_by_role("textbox", name="at cm").fill("45")
    for step in ("soak", "mixed"):
        page.locator(f"[name=step][value={step}]").check()
    page.get_by_role("button", name="Built: set the peg").click()
    page.locator(".said").wait_for()


def hand_reading(page: Page, celsius: float) -> None:
    page.get_by_text("Water, smell, hand reading and other notes").click()
    form = page.locator("form", has=page.get_by_role("button", name="Keep reading"))
    assert form.get_by_label("at cm").input_value() == "45", "the depth of the last reading stands there"
    form.get_by_label("Hand reading").fill(f"{celsius}")
    form.get_by_role("button", name="Keep reading").click()
    assert "noted" in page.locator(".said").inner_text()


def send(yard: Yard, start: Millis, until_day: int, turns: tuple[int, ...]) -> None:
    """Four days of hourly readings of every probe, as ingest keeps them; each turn costs 15 K, won back in a day."""
    hours = np.arange((until_day - 4) * 24, until_day * 24 + 1)
    for probe in range(PROBES):
        top = 58.0 + probe % 8
        since = hours - np.array([max([0, *(t * 24 for t in turns if t * 24 < hour)]) for hour in hours])
        celsius = np.where(
            hours <= 96, 12 + (top - 12) * np.minimum(1, hours / 30), top - 15 * np.exp(-since / 9)
        )
        key = SensorKey("larkfield", f"lance-{probe + 1:02d}", "45")
        batch = [
            Reading(key, Millis(start + int(h) * HOUR), round(float(c), 2), Millis(start + int(h) * HOUR))
            for h, c in zip(hours, celsius, strict=True)
        ]
        yard.parts.readings.append(batch)
        yard.parts.registry.probes.heard("larkfield", key.probe, batch[-1].at, {"battery_percent": 80.0})


def place_all(page: Page, pile: str) -> None:
    page.goto(f"/probes?pile={pile.rpartition('/')[2]}")
    page.get_by_text("Place several in one pile").click()
    form = page.locator("form[action='/probes/place-several']")
    assert form.locator("[name=probe]").count() == PROBES
    form.locator("[name=probe]").first.check()
    form.evaluate("form => form.querySelectorAll('[name=probe]').forEach(box => { box.checked = true; })")
    built = page.evaluate(
        "document.querySelector('form[action=\"/probes/place-several\"] [name=start]').value"
    )
    form.locator("[name=start]").fill(
        re.sub(r"^(\d+-\d+)-(\d+)", lambda m: f"{m[1]}-{int(m[2]) - 4:02d}", built)
    )
    form.get_by_role("button", name="Place them").click()
    page.get_by_text(f"{PROBES} probes stand in W-01").wait_for()


def finish_and_read(page: Page, pile: str) -> str:
    """Finish the pile; gives the text of the first page of its record."""
    page.goto(pile)
    page.get_by_text("Change or finish this pile").click()
    page.get_by_role("button", name="Finish this pile").click()
    page.locator(".said").wait_for()
    address = page.get_by_role("link", name="Report (PDF)").get_attribute("href")
    assert address is not None
    answer = page.request.get(address)
    assert answer.status == 200
    return " ".join(pypdf.PdfReader(io.BytesIO(answer.body())).pages[0].extract_text().split())
