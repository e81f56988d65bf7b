"""Invented sites, piles, people and notices for the registry contract."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from shared.episodes import Episode
from shared.notices import Notice
from shared.people import Channel, Person
from shared.piles import Pile, Placement, Site
from shared.ports import Registry
from shared.times import HOUR, Millis, Span

YARD = Site("larkfield", "Larkfield Yard", "Europe/Dublin")
HILL = Site("hill", "Upper Hill", "UTC")


def pile(id_: str, peg: str, built_at: int = 0, **fields: Any) -> Pile:
    return replace(Pile(id_, YARD.slug, peg, Millis(built_at)), **fields)


def placement(id_: str, start_at: int, end_at: int | None = None, **fields: Any) -> Placement:
    span = Span(Millis(start_at), None if end_at is None else Millis(end_at))
    return replace(Placement(id_, YARD.slug, "P1", "p1", span, "middle"), **fields)


def episode(id_: str, **fields: Any) -> Episode:
    made = Episode(id_, "turn_due", YARD.slug, "p1", "", "act", "open", Millis(HOUR), "load_reached_1")
    return replace(made, **fields)


def notice(id_: str, at: int = HOUR, **fields: Any) -> Notice:
    made = Notice(
        id_, "e1", "turn_due", "act", "ann", "ann-mail", "first", Millis(at), "K-01 wants a turn", "by 16:00"
    )
    return replace(made, **fields)


def furnished(registry: Registry) -> None:
    """A site, two open piles and a person with a channel."""
    with registry.begin() as tx:
        tx.sites.add(YARD)
        tx.piles.add(pile("p1", "K-01"))
        tx.piles.add(pile("p2", "K-02"))
        tx.people.add(Person("ann", "Ann", "Europe/Dublin"))
        tx.people.add_channel(Channel("ann-mail", "ann", "email", "ann@example.org"))
