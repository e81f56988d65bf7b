"""Which probe stands in which pile, from when to when."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from pydantic import Field

from api.auth import Manager, Viewer
from api.parts import PartsHere
from api.problems import ProblemError, unprocessable
from api.v1.lookup import find_pile, named_pile
from api.v1.wire import (
    PAGE,
    PREFIX,
    At,
    Cursor,
    In,
    Instant,
    Limit,
    Out,
    Page,
    Ref,
    ShortText,
    Slug,
    no_later_than,
    page_of,
)
from shared.ids import new_id
from shared.piles import Placement, Zone
from shared.placement_correction import correct
from shared.ports import Registry
from shared.probes import Probe
from shared.times import Millis, Span

router = APIRouter(prefix=PREFIX, tags=["placements"])


class PlacementIn(In):
    probe: Slug = Field(description="its name in the pile's site; it need not have been heard of")
    pile: Ref = Field(description="an id, or site:peg")
    from_: Instant = Field(alias="from", description="any past instant")
    to: Instant | None = None
    position: ShortText = Field(description="where in the pile, in the maker's words")
    zone: Zone = "core"


class PlacementChange(In):
    """Only the fields that are sent change. ``to`` null = still there."""

    probe: Slug | None = None
    pile: Ref | None = None
    from_: Instant | None = Field(None, alias="from")
    to: Instant | None = None
    position: ShortText | None = None
    zone: Zone | None = None


class PlacementOut(Out):
    id: str
    site: str
    probe: str
    pile: str
    from_: At = Field(alias="from")
    to: At | None
    position: str
    zone: Zone


def show(placement: Placement) -> PlacementOut:
    return PlacementOut(
        id=placement.id,
        site=placement.site,
        probe=placement.probe,
        pile=placement.pile_id,
        from_=placement.span.start,
        to=placement.span.end,
        position=placement.position,
        zone=placement.zone,
    )


@router.post("/placements", status_code=201)
def add_placement(asked: PlacementIn, parts: PartsHere, _: Manager) -> PlacementOut:
    """409 when the probe is elsewhere at any instant of that time."""
    now = parts.clock.now()
    no_later_than(now, asked.from_, "body.from")
    with parts.registry.begin() as tx:
        pile = named_pile(tx, asked.pile, "body.pile")
        _register(tx, pile.site, asked.probe, now)
        placement = Placement(
            id=new_id(now),
            site=pile.site,
            probe=asked.probe,
            pile_id=pile.id,
            span=_span(asked.from_, asked.to),
            position=asked.position,
            zone=asked.zone,
        )
        tx.probes.place(placement)
    return show(placement)


@router.get("/placements")
def list_placements(
    parts: PartsHere,
    _: Viewer,
    pile: str | None = None,
    site: str | None = None,
    probe: str | None = None,
    cursor: Cursor = None,
    limit: Limit = PAGE,
) -> Page[PlacementOut]:
    """By start."""
    pile_id = None if pile is None else find_pile(parts.registry, pile).id
    found = parts.registry.probes.placements(pile_id=pile_id, site=site, probe=probe)
    return page_of(found, show, lambda placement: (placement.span.start, placement.id), cursor, limit)


@router.get("/placements/{placement}")
def get_placement(placement: str, parts: PartsHere, _: Viewer) -> PlacementOut:
    return show(parts.registry.probes.placement(placement))


@router.patch("/placements/{placement}")
def change_placement(placement: str, asked: PlacementChange, parts: PartsHere, _: Manager) -> PlacementOut:
    """Correct it, also after the fact: readings follow at once.

    Where the probe came straight from another placement, that one ends as this begins, in the same step.
    """
    now = parts.clock.now()
    sent = asked.model_fields_set
    for name in sent - {"to"}:
        if getattr(asked, name) is None:
            raise unprocessable(f"body.{name.rstrip('_')}", "cannot be taken away")
    fields: dict[str, Any] = {name: getattr(asked, name) for name in sent & {"position", "zone", "probe"}}
    with parts.registry.begin() as tx:
        held = tx.probes.placement(placement)
        if asked.pile is not None:
            pile = named_pile(tx, asked.pile, "body.pile")
            fields |= {"pile_id": pile.id, "site": pile.site}
        if sent & {"from_", "to"}:
            start = held.span.start if asked.from_ is None else asked.from_
            no_later_than(now, start, "body.from")
            fields["span"] = _span(start, asked.to if "to" in sent else held.span.end)
        if not fields:
            return show(held)
        _register(tx, fields.get("site", held.site), fields.get("probe", held.probe), now)
        return show(correct(tx, held.id, **fields))


@router.delete("/placements/{placement}", status_code=204)
def delete_placement(placement: str, parts: PartsHere, _: Manager) -> None:
    """As if it had never been: the readings stay, and wait under the unplaced probes again."""
    parts.registry.probes.delete_placement(placement)


def _span(start: Millis, end: Millis | None) -> Span:
    if end is not None and end < start:
        raise ProblemError(422, "a placement cannot end before it starts")
    return Span(start, end)


def _register(tx: Registry, site: str, name: str, now: Millis) -> None:
    """Know a probe that has not spoken yet."""
    if tx.probes.named(site, name) is None:
        tx.probes.add(Probe(id=new_id(now), site=site, name=name))
