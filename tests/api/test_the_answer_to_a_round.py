"""From the letter about several piles to the page that its link opens, and back to the watch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast
from urllib.parse import urlsplit

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.parts import Parts
from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.settings import Settings
from shared.stores import open_readings
from tests.alerts.watched import DAY, HOUR, Yard

SETTINGS = Settings.model_validate({"web": {"public_url": "https://yard.example"}})


@dataclass
class Told:
    yard: Yard
    web: TestClient
    seen: str  # path of the letter's one link for all of it


@pytest.fixture
def told(tmp_path: Path) -> Iterator[Told]:
    """Ada has a letter: K-01 and K-02 are due, K-03 within the round to come."""
    yard = Yard(tmp_path, SETTINGS)
    readings = open_readings(tmp_path / "readings.db")
    yard.person("Ada")
    for peg in ("K-01", "K-02"):
        yard.is_so(yard.pile(peg), state="due", load=1.0, due_at=yard.now)
    yard.is_so(yard.pile("K-03"), state="not_yet", load=0.5, due_at=yard.now + 11 * HOUR)
    yard.tick()
    (letter,) = yard.told()
    parts = Parts(
        registry=yard.registry, readings=readings, book=cast("HeatBook", yard.book), catalogue=Catalogue.load(),
        settings=SETTINGS, data_dir=tmp_path, clock=yard.clock,
    )  # fmt: skip
    yield Told(yard, TestClient(create_app(parts)), urlsplit(letter.links["seen"]).path)
    readings.close()
    yard.close()


def states(yard: Yard) -> dict[str, str]:
    pegs = {pile.id: pile.peg for pile in yard.registry.piles.all()}
    return {pegs[e.pile_id or ""]: e.state for e in yard.registry.episodes.unresolved()}


def test_opening_the_link_asks_and_answers_nothing(told: Told) -> None:
    page = told.web.get(told.seen)
    assert page.status_code == 200
    assert "<button" in page.text
    assert states(told.yard) == {"K-01": "open", "K-02": "open", "K-03": "open"}


def test_one_tap_answers_for_every_pile_of_the_letter_and_nobody_is_reminded(told: Told) -> None:
    page = told.web.post(told.seen)
    assert page.status_code == 200
    assert "Seen." in page.text
    assert states(told.yard) == dict.fromkeys(("K-01", "K-02", "K-03"), "acknowledged")
    by = {episode.acknowledged_by for episode in told.yard.registry.episodes.unresolved()}
    assert by == {"Ada"}
    told.yard.pass_time(10 * HOUR, step=HOUR)
    assert len(told.yard.told()) == 1


def test_without_an_answer_someone_is_reminded(told: Told) -> None:
    told.yard.pass_time(DAY, step=HOUR)
    assert "reminder" in {reason for _, _, reason in told.yard.heard_of()}


def test_the_link_holds_while_any_pile_of_the_letter_wants_its_turn_and_then_is_gone(told: Told) -> None:
    piles = {pile.peg: pile for pile in told.yard.registry.piles.all()}
    for peg in ("K-01", "K-02"):
        told.yard.turn(piles[peg])
    told.yard.tick()
    assert "Seen." in told.web.post(told.seen).text
    assert states(told.yard) == {"K-03": "acknowledged"}
    told.yard.turn(piles["K-03"])
    told.yard.tick()
    assert told.web.post(told.seen).status_code == 410


def test_the_page_of_notices_says_what_was_told_along_and_keeps_the_whole_letter_without_its_links(
    told: Told,
) -> None:
    parts = replace(told.web.app.state.parts, open_door=True)  # type: ignore[attr-defined]
    page = TestClient(create_app(parts)).get("/notices").text
    assert "- K-02 wants a turn now." in page
    assert "https://yard.example/do/" not in page
