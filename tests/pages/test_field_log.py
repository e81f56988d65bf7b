"""What a person writes down at the pile: in two taps, once, also without signal."""

from __future__ import annotations

import io

import pytest
from PIL import Image
from playwright.sync_api import Browser, BrowserContext, FilePayload, Page, expect

from shared.piles import FieldNote
from shared.times import MINUTE, Millis, to_datetime
from tests.pages.browser import Complaints, visitor
from tests.pages.server import Yard

pytestmark = pytest.mark.browser


def turns(yard: Yard) -> int:
    return len(yard.parts.registry.piles.turns("pile-K-01"))


def test_a_turn_takes_two_taps(own_yard: Yard, browser: Browser) -> None:
    before = turns(own_yard)
    with visitor(browser, own_yard.address, own_yard.key, touch=True) as context:
        page = context.new_page()
        page.goto("/")
        page.locator(".pile", has_text="K-01").tap()
        page.get_by_role("button", name="Turned just now").tap()
        expect(page.locator(".said")).to_contain_text("turn logged")
    assert turns(own_yard) == before + 1


def test_the_same_form_sent_twice_is_one_turn(own_yard: Yard, browser: Browser) -> None:
    before = turns(own_yard)
    with visitor(browser, own_yard.address, own_yard.key, javascript=False) as context:
        page = context.new_page()
        page.goto("/piles/pile-K-01")
        form = page.locator("form:has(button.big)")
        fields: dict[str, str | float | bool] = {
            name: form.locator(f"input[name={name}]").get_attribute("value") or "" for name in ("csrf", "key")
        }
        for _ in range(2):
            answer = context.request.post("/piles/pile-K-01/turn", form=fields, max_redirects=0)
            assert answer.status == 303
            own_yard.clock.at = own_yard.clock.at.__class__(own_yard.clock.at + 1)
    assert turns(own_yard) == before + 1


def test_every_kind_of_note_is_kept(own_yard: Yard, browser: Browser) -> None:
    with visitor(browser, own_yard.address, own_yard.key) as context:
        page = context.new_page()
        complaints = Complaints(page)
        fill_and_send(page, "Water, litres", "35,5", "Watered")
        fill_and_send(page, "Hand reading", "61.5", "Keep reading")
        open_notes(page)
        page.locator("form[data-queue=squeeze]").get_by_label("a few drops").check()
        with page.expect_navigation():  # what is said belongs to the page that follows
            page.locator("form[data-queue=squeeze] button").click()
        expect(page.locator(".said")).to_contain_text("noted")
        open_notes(page)
        page.get_by_label("burnt").check()
        page.get_by_label("smoke").check()
        with page.expect_navigation():  # what is said belongs to the page that follows
            page.locator("form[data-queue=smell] button").click()
        expect(page.locator(".said")).to_contain_text("fire service")
        open_notes(page)
        page.get_by_label("Picture").set_input_files(
            {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": picture_from_a_phone()}
        )
        with page.expect_navigation():
            page.get_by_role("button", name="Keep picture").click()
        expect(page.locator(".said")).to_contain_text("picture kept")
        assert complaints.said == []
    notes = {
        note.kind: note
        for note in own_yard.parts.registry.piles.notes("pile-K-01")
        if note.by == "the manager"
    }
    assert notes["water"].figures == {"litres": 35.5}
    assert notes["hand_reading"].figures["celsius"] == 61.5
    assert notes["squeeze"].figures == {"feel": "right"}
    assert notes["smell"].figures == {"smell": "burnt", "smoke": True}
    assert small_picture(own_yard, notes["photo"]) == (1600, 1200)


def test_bad_input_says_what_is_wrong_and_loses_nothing(own_yard: Yard, browser: Browser) -> None:
    with visitor(browser, own_yard.address, own_yard.key) as context:
        page = context.new_page()
        page.goto("/piles/pile-K-01")
        open_notes(page)
        page.get_by_label("Hand reading").fill("hot!")
        page.get_by_role("button", name="Keep reading").click()
        expect(page.get_by_role("alert")).to_contain_text("'hot!' is not a number")
        expect(page.get_by_label("Hand reading")).to_have_value("hot!")


def test_without_signal_a_turn_waits_and_goes_once(own_yard: Yard, browser: Browser) -> None:
    before = turns(own_yard)
    with visitor(browser, own_yard.address, own_yard.key) as context:
        page = context.new_page()
        keep_the_yards_time(context, own_yard)
        page.goto("/piles/pile-K-01", wait_until="networkidle")
        pressed_at = page.evaluate("Date.now()")
        context.set_offline(True)
        page.get_by_role("button", name="Turned just now").click()
        expect(page.locator("#waiting")).to_contain_text("waits on this phone")
        assert turns(own_yard) == before
        own_yard.clock.at = Millis(pressed_at + 90 * MINUTE)
        send_once_there_is_signal(context, page)
    kept = own_yard.parts.registry.piles.turns("pile-K-01")
    assert len(kept) == before + 1
    assert abs(kept[-1].at - pressed_at) < MINUTE, "it carries the time of the tap, not of its arrival"


def test_without_signal_a_picture_waits_with_its_entry_and_goes_once(
    own_yard: Yard, browser: Browser
) -> None:
    with visitor(browser, own_yard.address, own_yard.key) as context:
        page = context.new_page()
        keep_the_yards_time(context, own_yard)
        page.goto("/")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")  # it keeps what is opened from now on
        page.goto("/piles/pile-K-01", wait_until="networkidle")
        open_notes(page)
        pressed_at = page.evaluate("Date.now()")
        context.set_offline(True)
        page.get_by_label("Picture").set_input_files(
            {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": picture_from_a_phone()}
        )
        page.get_by_role("button", name="Keep picture").click()
        expect(page.locator("#waiting")).to_contain_text("picture")
        assert pictures(own_yard) == []
        page.reload()  # the phone's own copy of the page: what waits is still there
        expect(page.locator("#waiting")).to_contain_text("picture")
        own_yard.clock.at = Millis(pressed_at + 90 * MINUTE)
        send_once_there_is_signal(context, page)
    (kept,) = pictures(own_yard)
    assert abs(kept.at - pressed_at) < MINUTE
    assert small_picture(own_yard, kept) == (1600, 1200)


def test_a_picture_sent_twice_with_one_key_is_kept_once(own_yard: Yard, browser: Browser) -> None:
    with visitor(browser, own_yard.address, own_yard.key, javascript=False) as context:
        page = context.new_page()
        page.goto("/piles/pile-K-01")
        form = page.locator("form[data-queue=picture]")
        fields = {
            name: form.locator(f"input[name={name}]").get_attribute("value") or ""
            for name in ("csrf", "key", "kind")
        }
        for _ in range(2):
            file = FilePayload(name="a.jpg", mimeType="image/jpeg", buffer=picture_from_a_phone())
            answer = context.request.post(
                "/piles/pile-K-01/note", multipart={**fields, "photo": file}, max_redirects=0
            )
            assert answer.status == 303
    assert len(pictures(own_yard)) == 1


def test_a_hand_reading_keeps_the_units_of_its_form(own_yard: Yard, browser: Browser) -> None:
    with visitor(browser, own_yard.address, own_yard.key, fahrenheit=True) as context:
        page = context.new_page()
        page.goto("/piles/pile-K-01")
        open_notes(page)
        page.get_by_label("Hand reading").fill("140")
        context.add_cookies([{"name": "tb_units", "value": "celsius", "url": own_yard.address}])
        page.get_by_role("button", name="Keep reading").click()
        expect(page.locator(".said")).to_contain_text("noted")
    note = own_yard.parts.registry.piles.notes("pile-K-01")[-1]
    assert note.figures["celsius"] == pytest.approx(60.0)


def test_a_pile_in_danger_asks_for_a_look_before_a_turn(own_yard: Yard, browser: Browser) -> None:
    piles = own_yard.parts.registry.piles
    piles.add_note(
        FieldNote("smoke", "pile-K-01", "smell", own_yard.clock.at, figures={"smell": "burnt", "smoke": True})
    )
    with visitor(browser, own_yard.address, own_yard.key, javascript=False) as context:
        page = context.new_page()
        page.goto("/piles/pile-K-01")
        task = page.locator(".task")
        expect(task.get_by_text("Check for fire")).to_be_visible()
        expect(task.get_by_label("Hand reading")).to_be_visible()
        expect(task.get_by_role("button", name="turn", exact=False).filter(visible=True)).to_have_count(0)
        words = task.inner_text()
        assert words.index("fire service") < words.index("It was turned: log it")


def test_a_page_seen_before_opens_without_signal(own_yard: Yard, browser: Browser) -> None:
    with visitor(browser, own_yard.address, own_yard.key) as context:
        page = context.new_page()
        keep_the_yards_time(context, own_yard)
        page.goto("/")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.goto("/piles/pile-K-02", wait_until="networkidle")
        page.goto("/", wait_until="networkidle")
        context.set_offline(True)
        page.goto("/piles/pile-K-02")
        expect(page.locator("h1")).to_contain_text("K-02")
        press_without_signal(context, page)


def keep_the_yards_time(context: BrowserContext, yard: Yard) -> None:
    """The phone's own clock would be the real one; here it shows what the yard's shows, whatever day it is."""
    context.clock.set_fixed_time(to_datetime(yard.clock.at))


def press_without_signal(context: BrowserContext, page: Page) -> None:
    page.get_by_role("button", name="Turned just now").click()
    expect(page.locator("#waiting")).to_contain_text("waits on this phone")
    send_once_there_is_signal(context, page)


def send_once_there_is_signal(context: BrowserContext, page: Page) -> None:
    with page.expect_navigation():  # the page loads itself anew once what waited is sent
        context.set_offline(False)
    page.wait_for_load_state("networkidle")
    expect(page.locator("#waiting")).to_be_hidden()


def open_notes(page: Page) -> None:
    if "/piles/pile-K-01" not in page.url:
        page.goto("/piles/pile-K-01")
    notes = page.locator("details", has=page.locator("form[data-queue=water]"))  # open already in danger
    if notes.get_attribute("open") is None:
        notes.locator("> summary").click()


def fill_and_send(page: Page, label: str, text: str, button: str) -> None:
    page.goto("/piles/pile-K-01")
    open_notes(page)
    page.get_by_label(label).fill(text)
    page.get_by_role("button", name=button).click()
    expect(page.locator(".said")).to_contain_text("noted")


def small_picture(yard: Yard, note: FieldNote) -> tuple[int, int]:
    with Image.open(io.BytesIO(yard.parts.registry.piles.photo(note.id))) as image:
        assert not image.getexif()
        return image.size


def picture_from_a_phone() -> bytes:
    picture = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F] = "a phone"
    Image.new("RGB", (2400, 1800), "saddlebrown").save(picture, "JPEG", exif=exif)
    return picture.getvalue()


def pictures(yard: Yard) -> list[FieldNote]:
    return [note for note in yard.parts.registry.piles.notes("pile-K-01") if note.kind == "photo"]
