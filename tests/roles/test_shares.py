"""Two watches share the sites: none is looked at by both, none by neither, and who was thought dead commits nothing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import pytest

from alerts.deadlines import Place
from alerts.sharing import PARTS, LeasedShare
from alerts.snapshot import Snapshot
from alerts.worker import WatchLoop
from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.piles import Pile, Site
from shared.ports import Registry, StoreBusy
from shared.stores import open_registry
from shared.times import Millis
from tests.alerts.watched import Yard

LEASE_S = 15.0


class Wall:
    at = 1_000_000.0

    def __call__(self) -> float:
        return self.at


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    registry = open_registry(tmp_path / "registry.db")
    yield registry
    registry.close()


def shares(registry: Registry, wall: Wall, n: int) -> list[LeasedShare]:
    return [LeasedShare(registry, lease_s=LEASE_S, wall_s=wall) for _ in range(n)]


def settle(wall: Wall, *those: LeasedShare) -> None:
    for _ in range(4):
        wall.at += LEASE_S / 3
        for share in those:
            share.renew()


@pytest.mark.parametrize("n", [1, 2, 3, 5])
def test_every_part_is_held_by_one_watch_and_none_holds_many_more_than_another(
    registry: Registry, n: int
) -> None:
    wall = Wall()
    those = shares(registry, wall, n)
    settle(wall, *those)
    held = [part for share in those for part in share.parts]
    assert sorted(held, key=int) == [str(part) for part in range(PARTS)]
    assert max(len(share.parts) for share in those) <= -(-PARTS // n)


def test_a_dead_watchs_parts_are_anothers_when_its_lease_has_run_out_and_not_before(
    registry: Registry,
) -> None:
    wall = Wall()
    first, second = shares(registry, wall, 2)
    settle(wall, first, second)
    wall.at += LEASE_S / 3
    second.renew()
    assert len(second.parts) == PARTS / 2
    wall.at += LEASE_S
    second.renew()
    assert len(second.parts) == PARTS


def test_the_others_do_not_wait_for_their_next_renewal(registry: Registry) -> None:
    wall = Wall()
    first, second = shares(registry, wall, 2)
    settle(wall, first, second)
    dies_at = wall.at
    wall.at = dies_at + LEASE_S - 1
    second.renew()
    assert len(second.parts) == PARTS / 2
    wall.at = dies_at + LEASE_S
    second.renew()
    assert len(second.parts) == PARTS


def test_long_work_keeps_its_lease_and_changes_nothing_else(registry: Registry) -> None:
    wall = Wall()
    first, second = shares(registry, wall, 2)
    settle(wall, first, second)
    held = first.parts
    for _ in range(10):
        wall.at += LEASE_S / 2
        first.keep()
        second.renew()
        assert first.parts == held
        assert len(second.parts) == PARTS - len(held)
    wall.at += 2 * LEASE_S
    second.renew()
    with pytest.raises(StoreBusy, match="taken over"):
        first.keep()


def test_a_look_that_takes_longer_than_the_lease_is_not_in_vain(tmp_path: Path) -> None:
    """As after a start, when thousands of piles are looked at for the first time."""
    yard, wall = Yard(tmp_path), Wall()
    yard.person("Ada")
    mine, other = shares(yard.registry, wall, 2)
    settle(wall, mine, other)
    for number in range(30):
        yard.registry.sites.add(Site(f"yard-{number}", "A yard", "UTC"))
        pile = yard.pile(f"K-{number}", site=f"yard-{number}")
        yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    ours = sum(mine.mine(Place("site", f"yard-{number}")) for number in range(30))
    watch = WatchLoop(
        yard.registry, cast("HeatBook", yard.book), yard.settings, yard.clock, Catalogue.load(), share=mine
    )
    worked_out = watch._gatherer.pile

    def slowly(*wanted: Any, **more: Any) -> Snapshot:
        wall.at += LEASE_S / 2.5
        other.renew()
        return worked_out(*wanted, **more)

    watch._gatherer.pile = slowly  # type: ignore[method-assign]  # a slow machine
    assert watch.tick(yard.clock.now()) == ours
    assert len(yard.told()) == ours


def test_who_was_thought_dead_commits_nothing_and_begins_anew(registry: Registry) -> None:
    wall = Wall()
    first, second = shares(registry, wall, 2)
    settle(wall, first, second)
    wall.at += 2 * LEASE_S
    second.renew()
    before = first.turn

    def say_it() -> None:
        with registry.begin() as tx:
            tx.memory.set("said", "twice")
            first.guard(tx)

    with pytest.raises(StoreBusy, match="taken over"):
        say_it()
    assert registry.memory.get("said") is None
    settle(wall, first, second)
    assert first.turn > before
    with registry.begin() as tx:
        first.guard(tx)


def test_who_ends_leaves_its_parts_at_once(registry: Registry) -> None:
    wall = Wall()
    first, second = shares(registry, wall, 2)
    settle(wall, first, second)
    first.give_up()
    wall.at += LEASE_S / 3
    second.renew()
    assert len(second.parts) == PARTS


def test_a_clock_that_ran_ahead_holds_nothing_for_ever(registry: Registry) -> None:
    wall, ahead = Wall(), Wall()
    ahead.at += 10**9
    (first,), (second,) = shares(registry, ahead, 1), shares(registry, wall, 1)
    first.renew()
    second.renew()
    assert len(second.parts) == PARTS


def test_a_pile_goes_with_its_site(registry: Registry) -> None:
    wall = Wall()
    those = shares(registry, wall, 2)
    settle(wall, *those)
    for number in range(20):
        site = Site(f"yard-{number}", "A yard", "UTC")
        registry.sites.add(site)
        registry.piles.add(Pile(f"p{number}", site.slug, "K-01", Millis(0)))
        owners = [share for share in those if share.mine(Place("site", site.slug))]
        assert len(owners) == 1
        assert owners[0].mine(Place("pile", f"p{number}"))


def test_two_watches_tell_each_turn_once_whoever_of_them_dies(tmp_path: Path) -> None:
    yard, wall = Yard(tmp_path), Wall()
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    share_of = {name: LeasedShare(yard.registry, lease_s=LEASE_S, wall_s=wall) for name in ("one", "two")}
    watches = {
        name: WatchLoop(
            yard.registry,
            cast("HeatBook", yard.book),
            yard.settings,
            yard.clock,
            Catalogue.load(),
            share=share,
        )
        for name, share in share_of.items()
    }

    def tick(*names: str) -> None:
        wall.at += LEASE_S / 3
        yard.clock.at += 1000
        for name in names:
            watches[name].tick(yard.clock.now())

    for _ in range(5):
        tick("one", "two")
    assert [notice.reason for notice in yard.told()] == ["first"]
    owner = next(name for name, share in share_of.items() if share.mine(Place("pile", pile.id)))
    other = "two" if owner == "one" else "one"
    for _ in range(5):
        tick(other)  # the owner is dead, or as good as
    yard.is_so(pile, state="overdue", load=1.4, due_at=yard.now - 20_000_000)
    yard.book.touch(pile.id)
    tick(other)
    assert [notice.kind for notice in yard.told()] == ["turn_due", "turn_overdue"]
    yard.book.touch(pile.id)
    share_of[owner]._renew_at = wall.at  # it wakes up in the middle of a look, and finds its place taken
    share_of[owner]._others_until = wall.at + LEASE_S
    with pytest.raises(StoreBusy):
        watches[owner].tick(yard.clock.now())
    assert [notice.kind for notice in yard.told()] == ["turn_due", "turn_overdue"]
