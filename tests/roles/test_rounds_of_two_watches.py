"""Two watches share the sites: still one letter for one walk, also when one of them dies while the night holds it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import cast

import pytest

from alerts.deadlines import Place
from alerts.sharing import LeasedShare
from alerts.worker import WatchLoop
from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.piles import Site
from shared.ports import StoreBusy
from shared.settings import Settings
from shared.times import parse_time
from tests.alerts.watched import Yard

NIGHT = Settings.model_validate({"quiet_hours": {"from": "22:00", "to": "06:30"}})
LEASE_S = 15.0
SITES = ("larkfield", "upper", "lower", "hill", "brook", "mill")


class Two:
    """Two watches over one registry, each with leases by a clock that is set by hand."""

    def __init__(self, folder: Path) -> None:
        self.wall = 1_000_000.0
        self.yard = Yard(folder, NIGHT)
        self.yard.clock.at = parse_time("2026-11-25T23:00:00Z")
        self.yard.person("Ada")
        for slug in SITES[1:]:
            self.yard.registry.sites.add(Site(slug, f"{slug.title()} Yard", "Europe/Dublin"))
        self.shares = [self._share() for _ in range(2)]
        self.watches = [self._watch(share) for share in self.shares]
        for _ in range(4):
            self.tick(0, 1)

    def _share(self) -> LeasedShare:
        return LeasedShare(self.yard.registry, lease_s=LEASE_S, wall_s=lambda: self.wall)

    def _watch(self, share: LeasedShare) -> WatchLoop:
        book = cast("HeatBook", self.yard.book)
        yard = self.yard
        return WatchLoop(yard.registry, book, NIGHT, yard.clock, Catalogue.load(), share=share)

    def tick(self, *which: int) -> None:
        self.wall += LEASE_S / 3
        self.yard.clock.at += 1000
        for number in which:
            self.watches[number].tick(self.yard.clock.now())

    def owner(self, site: str) -> int:
        (owner,) = [n for n, share in enumerate(self.shares) if share.mine(Place("site", site))]
        return owner

    def due(self, *pegs: str) -> None:
        """Piles of these pegs at every site, due now."""
        for site in SITES:
            for peg in pegs:
                pile = self.yard.pile(f"{site[0].upper()}{site[1]}-{peg}", site=site)
                self.yard.is_so(pile, state="due", load=1.0, due_at=self.yard.now)

    def morning(self) -> None:
        self.yard.clock.at = parse_time("2026-11-26T06:29:30Z")


@pytest.fixture
def two(tmp_path: Path) -> Iterator[Two]:
    made = Two(tmp_path)
    yield made
    made.yard.close()


def test_each_site_has_its_owner_and_its_one_letter(two: Two) -> None:
    assert {two.owner(site) for site in SITES} == {0, 1}
    two.due("01", "02")
    two.tick(0, 1)
    two.due("03")
    two.tick(1, 0)
    two.morning()
    two.tick(0, 1)
    two.tick(1, 0)
    letters = two.yard.told("Ada")
    assert sorted(str(letter.site) for letter in letters) == sorted(SITES)
    assert len(two.yard.heard_of("Ada")) == 3 * len(SITES)


def test_a_watch_that_begins_later_does_not_send_anothers_round(two: Two) -> None:
    """It finds rows held for the other's sites; were it to send them, what came after would be a second letter."""
    two.due("01")
    two.tick(0, 1)
    two.watches[1] = two._watch(two.shares[1])  # started anew: it reads what is held
    two.tick(1)
    two.due("02")
    two.tick(0, 1)
    two.morning()
    two.tick(1, 0)
    assert sorted(str(letter.site) for letter in two.yard.told("Ada")) == sorted(SITES)


def test_when_one_dies_in_the_night_the_other_puts_its_letters_together(two: Two) -> None:
    two.due("01", "02")
    two.tick(0, 1)
    for _ in range(5):
        two.tick(1)  # the first is dead
    two.due("03")
    two.tick(1)
    two.morning()
    two.tick(1)
    letters = two.yard.told("Ada")
    assert sorted(str(letter.site) for letter in letters) == sorted(SITES)
    assert len(two.yard.heard_of("Ada")) == 3 * len(SITES)


def test_who_was_thought_dead_sends_no_round(two: Two) -> None:
    two.due("01", "02")
    two.tick(0, 1)
    for _ in range(5):
        two.tick(1)
    two.due("03")
    two.tick(1)
    two.morning()
    two.shares[0]._renew_at = two.wall  # it wakes up in the middle of a look
    two.shares[0]._others_until = two.wall + LEASE_S
    with pytest.raises(StoreBusy):
        two.watches[0].tick(two.yard.clock.now())
    two.tick(1, 0)
    two.tick(1, 0)
    letters = two.yard.told("Ada")
    assert sorted(str(letter.site) for letter in letters) == sorted(SITES)
    assert len(two.yard.heard_of("Ada")) == 3 * len(SITES)
