"""Build, change and finish a pile."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form
from fastapi.responses import RedirectResponse, Response

from api.auth import Manager
from api.pages.build_sent import NAMES, pile_of
from api.pages.forms import Text, instant_text, number, read
from api.pages.slips import Sent, Slips, Typed
from api.pages.view import AnyView, View
from api.v1 import piles

router = APIRouter(include_in_schema=False)
RuleIds = Annotated[list[str] | None, Form()]


@router.get("/piles/new")
def new_pile(view: AnyView, _: Manager) -> Response:
    return _new(view, Typed(), Slips(NAMES))


def _new(view: View, typed: Typed, slips: Slips) -> Response:
    sites = view.parts.registry.sites.all()
    if not sites:
        return view.back("/setup", "A pile stands on a site: name the site first.")
    return view.page(
        "pile_new.html", slips.status if slips.at else 200, sites=sites, catalogue=view.parts.catalogue, pile=None,
        typed=typed, slips=slips.at,
    )  # fmt: skip


@router.post("/piles")
def build(view: AnyView, caller: Manager, sent: Sent) -> Response:
    typed, slips = Typed(sent), Slips(NAMES)
    zone = view.parts.registry.sites.get(typed("site")).zone
    asked = slips.trying(lambda: pile_of(view, sent, zone, None), "built_at")
    made = None if asked is None else slips.trying(lambda: piles.add_pile(asked, view.parts, caller), "peg")
    if made is None:
        return _new(view, typed, slips)
    return view.back(typed("next") or f"/piles/{made.id}", f"{made.peg} is built.")


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
