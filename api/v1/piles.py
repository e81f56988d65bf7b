"""Piles: build, change, finish."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import Field

from api.auth import Manager, Viewer
from api.parts import Parts, PartsHere
from api.problems import ProblemError, unprocessable
from api.v1.lookup import check_catalogue, check_site, find_pile
from api.v1.wire import (
    PAGE,
    PREFIX,
    At,
    Cursor,
    In,
    Instant,
    Limit,
    Line,
    Out,
    Page,
    Ref,
    ShortText,
    Slug,
    Tree,
    no_later_than,
    page_of,
)
from shared.ids import new_id
from shared.piles import Pile, Placement
from shared.ports import Registry
from shared.times import Millis, Span, iso

router = APIRouter(prefix=PREFIX, tags=["piles"])

Litres = Annotated[float, Field(gt=0, le=1e9)]
RuleIds = Annotated[list[Ref], Field(max_length=50)]


class PileIn(In):
    site: Slug
    peg: Line = Field(description="the pile's short code, unique among the open piles of its site")
    built_at: Instant
    volume_l: Litres | None = None
    kind: ShortText | None = None
    rule_ids: RuleIds = Field(default_factory=list)
    guide_id: Ref | None = None
    mix: Tree | None = None


class PileChange(In):
    """Only the fields that are sent change. ``finished_at`` null opens a finished pile again."""

    peg: Line | None = None
    built_at: Instant | None = None
    finished_at: Instant | None = None
    volume_l: Litres | None = None
    kind: ShortText | None = None
    rule_ids: RuleIds | None = None
    guide_id: Ref | None = None
    mix: Tree | None = None


class FinishIn(In):
    at: Instant


class PileOut(Out):
    id: str
    site: str
    peg: str
    open: bool
    built_at: At
    finished_at: At | None
    volume_l: float | None
    kind: str | None
    rule_ids: list[str]
    guide_id: str | None
    mix: dict[str, Any] | None


def show(pile: Pile) -> PileOut:
    return PileOut(
        id=pile.id,
        site=pile.site,
        peg=pile.peg,
        open=pile.finished_at is None,
        built_at=pile.built_at,
        finished_at=pile.finished_at,
        volume_l=pile.volume_l,
        kind=pile.kind,
        rule_ids=list(pile.rule_ids),
        guide_id=pile.guide_id,
        mix=pile.mix,
    )


@router.post("/piles", status_code=201)
def add_pile(asked: PileIn, parts: PartsHere, _: Manager) -> PileOut:
    return show(new_pile(parts.registry, asked, parts))


def new_pile(registry: Registry, asked: PileIn, parts: Parts) -> Pile:
    """``registry``: where it is kept, a transaction or not."""
    now = parts.clock.now()
    no_later_than(now, asked.built_at, "body.built_at")
    check_catalogue(parts.catalogue, asked.rule_ids, asked.guide_id)
    check_site(registry, asked.site, "body.site")
    fields = asked.model_dump()
    fields["rule_ids"] = tuple(dict.fromkeys(asked.rule_ids))
    pile = Pile(id=new_id(now), **fields)
    registry.piles.add(pile)
    return pile


@router.get("/piles")
def list_piles(
    parts: PartsHere,
    _: Viewer,
    open: bool | None = None,  # noqa: A002 - the query's name
    site: str | None = None,
    peg: str | None = None,
    cursor: Cursor = None,
    limit: Limit = PAGE,
) -> Page[PileOut]:
    """By site, peg, built_at."""
    found = parts.registry.piles.all(site=site, open_only=open is True)
    if open is False:
        found = [pile for pile in found if pile.finished_at is not None]
    if peg is not None:
        found = [pile for pile in found if pile.peg == peg]
    return page_of(found, show, lambda pile: (pile.site, pile.peg, pile.built_at, pile.id), cursor, limit)


@router.get("/piles/{pile}")
def get_pile(pile: str, parts: PartsHere, _: Viewer) -> PileOut:
    """``pile`` is an id, or ``site:peg``."""
    return show(find_pile(parts.registry, pile))


@router.patch("/piles/{pile}")
def change_pile(pile: str, asked: PileChange, parts: PartsHere, _: Manager) -> PileOut:
    fields = {name: getattr(asked, name) for name in asked.model_fields_set}
    for name in ("peg", "built_at", "rule_ids"):
        if name in fields and fields[name] is None:
            raise unprocessable(f"body.{name}", "cannot be taken away")
    for name in ("built_at", "finished_at"):
        if fields.get(name) is not None:
            no_later_than(parts.clock.now(), fields[name], f"body.{name}")
    if "rule_ids" in fields:
        fields["rule_ids"] = tuple(dict.fromkeys(fields["rule_ids"]))
    check_catalogue(parts.catalogue, fields.get("rule_ids", ()), fields.get("guide_id"))
    with parts.registry.begin() as tx:
        held = find_pile(tx, pile)
        _check_span(replace(held, **fields))
        if fields.get("finished_at") is not None:
            _end_placements(tx, held, fields["finished_at"])
        return show(tx.piles.change(held.id, **fields) if fields else held)


@router.post("/piles/{pile}/finish")
def finish_pile(pile: str, asked: FinishIn, parts: PartsHere, _: Manager) -> PileOut:
    """End the pile, and with it the placements of its probes. Saying so again with the same time changes nothing."""
    no_later_than(parts.clock.now(), asked.at, "body.at")
    with parts.registry.begin() as tx:
        held = find_pile(tx, pile)
        if held.finished_at is not None:
            if held.finished_at == asked.at:
                return show(held)
            raise ProblemError(409, f"pile {held.peg} is finished since {iso(held.finished_at)}")
        _check_span(replace(held, finished_at=asked.at))
        _end_placements(tx, held, asked.at)
        return show(tx.piles.change(held.id, finished_at=asked.at))


def _check_span(pile: Pile) -> None:
    if pile.finished_at is not None and pile.finished_at < pile.built_at:
        raise ProblemError(422, f"a pile cannot be finished before it was built ({iso(pile.built_at)})")


def _end_placements(tx: Registry, pile: Pile, at: Millis) -> None:
    """Free the probes that stand in the pile for the next one."""
    for placement in tx.probes.placements(pile_id=pile.id):
        if placement.span.start > at:
            raise ProblemError(409, _placed_later(placement))
        if placement.span.end is None:
            tx.probes.change_placement(placement.id, span=Span(placement.span.start, at))


def _placed_later(placement: Placement) -> str:
    return f"probe {placement.probe} is placed in it after that, from {iso(placement.span.start)}"
