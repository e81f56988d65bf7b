"""Find what a caller names."""

from __future__ import annotations

from collections.abc import Iterable

from api.problems import ProblemError, unprocessable
from shared.heat.catalogue import Catalogue, UnknownId
from shared.piles import FieldNote, Pile, Turn
from shared.ports import NotFound, Registry


def find_pile(registry: Registry, ref: str) -> Pile:
    """By id, or by ``site:peg`` (the open pile of that peg, else the one finished last); NotFound."""
    site, colon, peg = ref.partition(":")
    if not colon:
        return registry.piles.get(ref)
    pile = registry.piles.by_peg(site, peg)
    if pile is None:
        raise NotFound(f"there is no pile {peg} on site {site}")
    return pile


def named_pile(registry: Registry, ref: str, where: str) -> Pile:
    """The pile that a body or query names; 422 at ``where`` when there is none."""
    try:
        return find_pile(registry, ref)
    except NotFound as error:
        raise unprocessable(where, str(error)) from None


def check_site(registry: Registry, slug: str, where: str) -> None:
    try:
        registry.sites.get(slug)
    except NotFound as error:
        raise unprocessable(where, str(error)) from None


def check_catalogue(catalogue: Catalogue, rule_ids: Iterable[str], guide_id: str | None) -> None:
    """422 when a rule or the guide is not in the catalogue."""
    where = "body.guide_id"
    try:
        catalogue.guide(guide_id)
        where = "body.rule_ids"
        for rule_id in rule_ids:
            catalogue.rule(rule_id)
    except UnknownId as error:
        raise unprocessable(where, str(error)) from None


def find_turn(registry: Registry, pile: Pile, turn_id: str) -> Turn:
    for turn in registry.piles.turns(pile.id):
        if turn.id == turn_id:
            return turn
    raise ProblemError(404, f"pile {pile.peg} has no turn {turn_id}")


def find_note(registry: Registry, pile: Pile, note_id: str) -> FieldNote:
    for note in registry.piles.notes(pile.id):
        if note.id == note_id:
            return note
    raise ProblemError(404, f"pile {pile.peg} has no note {note_id}")


def file_name(pile: Pile, ending: str) -> str:
    """A name for a file about the pile, of letters, digits and dashes alone."""
    peg = "".join(mark if mark.isascii() and mark.isalnum() else "-" for mark in pile.peg)
    return f"{pile.site}-{peg}-{ending}"
