"""Build, change and finish a pile."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form
from fastapi.responses import RedirectResponse, Response

from api.auth import Manager
from api.pages.forms import Text, instant_text, number, read
from api.pages.view import AnyView
from api.v1 import piles

router = APIRouter(include_in_schema=False)
RuleIds = Annotated[list[str] | None, Form()]


@router.get("/piles/new")
def new_pile(view: AnyView, _: Manager) -> Response:
    sites = view.parts.registry.sites.all()
    if not sites:
        return view.back("/setup", "A pile stands on a site: name the site first.")
    return view.page("pile_new.html", sites=sites, catalogue=view.parts.catalogue, pile=None)


@router.post("/piles")
def build(
    view: AnyView,
    caller: Manager,
    site: Text,
    peg: Text,
    built_at: Text = "",
    kind: Text = "",
    volume_l: Text = "",
    rule_ids: RuleIds = None,
    guide_id: Text = "",
    onward: Annotated[str, Form(alias="next")] = "",
) -> RedirectResponse:
    zone = view.parts.registry.sites.get(site).zone
    asked = read(
        piles.PileIn,
        site=site,
        peg=peg,
        built_at=instant_text(built_at, zone, view.now),
        kind=kind or None,
        volume_l=number(volume_l, "volume"),
        rule_ids=rule_ids or [],
        guide_id=guide_id or None,
    )
    made = piles.add_pile(asked, view.parts, caller)
    return view.back(onward or f"/piles/{made.id}", f"{made.peg} is built.")


@router.post("/piles/{pile_id}/change")
def change(
    pile_id: str,
    view: AnyView,
    caller: Manager,
    peg: Text,
    kind: Text = "",
    volume_l: Text = "",
    rule_ids: RuleIds = None,
    guide_id: Text = "",
) -> RedirectResponse:
    fields: dict[str, Any] = {
        "peg": peg,
        "kind": kind or None,
        "volume_l": number(volume_l, "volume"),
        "rule_ids": rule_ids or [],
        "guide_id": guide_id or None,
    }
    piles.change_pile(pile_id, read(piles.PileChange, **fields), view.parts, caller)
    return view.back(f"/piles/{pile_id}", "Kept.")


@router.post("/piles/{pile_id}/finish")
def finish(pile_id: str, view: AnyView, caller: Manager, at: Text = "") -> RedirectResponse:
    pile = view.parts.registry.piles.get(pile_id)
    zone = view.parts.registry.sites.get(pile.site).zone
    asked = read(piles.FinishIn, at=instant_text(at, zone, view.now))
    piles.finish_pile(pile_id, asked, view.parts, caller)
    return view.back(f"/batches/{pile_id}", f"{pile.peg} is finished.")
