"""A link from a message: it asks first, does one thing, once, and is of no use when changed or too old."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, expect

from shared.episodes import Episode
from shared.links import LIFETIME_MS, LINK_PATH, LinkPurpose, link_key, make_link
from shared.times import HOUR, Millis
from tests.pages.browser import Complaints, visitor
from tests.pages.server import Yard

pytestmark = pytest.mark.browser


def link(yard: Yard, **changes: object) -> str:
    purpose = LinkPurpose(
        "log_turn", "pile-K-01", "episode-1", "person-1", Millis(yard.clock.at + LIFETIME_MS)
    )
    fields = {
        name: getattr(purpose, name) for name in ("act", "pile", "episode", "person", "expires_at")
    } | changes
    return LINK_PATH + make_link(link_key(yard.parts.registry.memory), LinkPurpose(**fields))


def test_a_link_asks_and_its_button_logs_the_turn(own_yard: Yard, browser: Browser) -> None:
    registry = own_yard.parts.registry
    before = len(registry.piles.turns("pile-K-01"))
    with visitor(browser, own_yard.address, None, javascript=False) as context:
        page = context.new_page()
        complaints = Complaints(page)
        page.goto(link(own_yard))
        assert len(registry.piles.turns("pile-K-01")) == before, "opening it does nothing"
        page.get_by_role("button", name="Turned just now").click()
        expect(page.get_by_role("status")).to_contain_text("turn logged")
        assert complaints.said == []
    turns = registry.piles.turns("pile-K-01")
    assert len(turns) == before + 1
    assert turns[-1].by == "Maker"
    assert registry.episodes.get("episode-1").state == "acknowledged"


def test_a_link_works_with_scripts_too(own_yard: Yard, browser: Browser) -> None:
    before = len(own_yard.parts.registry.piles.turns("pile-K-01"))
    with visitor(browser, own_yard.address, None) as context:
        page = context.new_page()
        page.goto(link(own_yard))
        page.get_by_role("button", name="Turned just now").click()
        expect(page.get_by_role("status")).to_contain_text("turn logged")
    assert len(own_yard.parts.registry.piles.turns("pile-K-01")) == before + 1


@pytest.mark.parametrize("what", ["changed", "old"])
def test_a_link_that_was_changed_or_is_too_old_does_nothing(
    own_yard: Yard, browser: Browser, what: str
) -> None:
    path = link(own_yard) if what == "changed" else link(own_yard, expires_at=own_yard.clock.at)
    if what == "changed":
        path = path[:-2] + ("A" if path[-2] != "A" else "B") + path[-1]
    with visitor(browser, own_yard.address, None) as context:
        page = context.new_page()
        answer = page.goto(path)
        assert answer is not None
        assert answer.status == 410
        assert page.get_by_role("button", name="Turned just now").count() == 0
        assert context.request.post(path).status == 410


def test_a_notice_is_acknowledged_by_its_link(own_yard: Yard, browser: Browser) -> None:
    with visitor(browser, own_yard.address, None) as context:
        page = context.new_page()
        page.goto(link(own_yard, act="acknowledge"))
        page.get_by_role("button", name="I have seen it").click()
        expect(page.get_by_role("status")).to_contain_text("Seen")
    assert own_yard.parts.registry.episodes.get("episode-1").acknowledged_by == "Maker"


@pytest.mark.parametrize(("button", "state"), [("Yes, turned", "confirmed"), ("No turn", "declined")])
def test_a_found_turn_is_answered_from_its_message(
    own_yard: Yard, browser: Browser, button: str, state: str
) -> None:
    registry, found_at = own_yard.parts.registry, Millis(own_yard.clock.at - 9 * HOUR)
    before = len(registry.piles.turns("pile-K-01"))
    registry.episodes.put(
        Episode(
            "episode-2", "turn_found", "larkfield", "pile-K-01", "", "info", "open", own_yard.clock.at,
            "curve_looks_like_a_turn", figures={"turn_at": int(found_at)},
        )
    )  # fmt: skip
    with visitor(browser, own_yard.address, None, javascript=False) as context:
        page = context.new_page()
        complaints = Complaints(page)
        page.goto(link(own_yard, act="answer_turn", episode="episode-2"))
        assert len(registry.piles.turns("pile-K-01")) == before, "opening it says nothing"
        page.get_by_role("button", name=button).click()
        expect(page.get_by_role("status")).to_contain_text("K-01")
        assert complaints.said == []
    turn = registry.piles.turns("pile-K-01")[-1]
    assert (turn.at, turn.source, turn.state, turn.by) == (found_at, "detected", state, "Maker")
