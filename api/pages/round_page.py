"""The round: which pile next, why, how urgent."""

from __future__ import annotations

from typing import Annotated, Any
from weakref import WeakKeyDictionary

from fastapi import APIRouter, Query
from fastapi.responses import RedirectResponse, Response

from api.auth import Viewer
from api.pages.kept_reports import KeptReports
from api.pages.sparks import Sparks
from api.pages.view import AnyView, View
from api.parts import Parts
from shared.heat_book import HeatBook
from shared.round import NEEDS, RoundRow, round_list

router = APIRouter(include_in_schema=False)
_AT_HAND: WeakKeyDictionary[HeatBook, tuple[KeptReports, Sparks]] = WeakKeyDictionary()


def at_hand(parts: Parts) -> tuple[KeptReports, Sparks]:
    """One keeper of each for each book."""
    found = _AT_HAND.get(parts.book)
    if found is None:
        made = (KeptReports(parts.book, parts.demo_speed or 1.0), Sparks(parts.book))
        found = _AT_HAND.setdefault(parts.book, made)
    return found


def _context(view: View, site: str | None) -> dict[str, Any]:
    parts = view.parts
    reports, sparks = at_hand(parts)
    piles = parts.registry.piles.all(site=site, open_only=True)
    reports.prepare((pile.id for pile in piles if pile.built_at <= view.now), view.now)
    rows = round_list(parts.registry, reports, view.now, site, units=view.units)
    groups: list[tuple[str, list[RoundRow]]] = [
        (need, [row for row in rows if row.need == need]) for need in NEEDS
    ]
    sites = parts.registry.sites.all()
    return {
        "groups": [(need, found) for need, found in groups if found],
        "total": len(rows),
        "hands": sum(row.need in {"danger", "now"} for row in rows),
        "doubts": sum(row.need == "check" for row in rows),
        "sparks": {row.pile.id: sparks.of(row.report) for row in rows},
        "sites": sites,
        "site": site,
        "many_sites": len(sites) > 1,
    }


@router.get("/", response_model=None)
def round_page(view: AnyView, _: Viewer, site: Annotated[str | None, Query()] = None) -> Response:
    context = _context(view, site or None)
    if not context["sites"]:
        return RedirectResponse("/setup", 303)
    return view.page("round.html", **context)


@router.get("/round/list")
def round_fragment(view: AnyView, _: Viewer, site: Annotated[str | None, Query()] = None) -> Response:
    """The list alone, for a page that keeps itself up to date."""
    return view.page("round_list.html", **_context(view, site or None))
