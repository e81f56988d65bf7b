"""The round: which pile next, why, how urgent."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import RedirectResponse, Response

from api.auth import Viewer
from api.pages.sparks import sparks_of
from api.pages.view import AnyView, View
from shared.round import FRESH_MS, OLDEST_MS, RoundRow, open_piles, round_rows
from shared.round_verdict import NEEDS

router = APIRouter(include_in_schema=False)
RENEW_MS = FRESH_MS  # what is older is renewed, by the loop that keeps the book warm or here
PATIENCE_S = 0.06  # what is not worked out by then comes with the next look


def _context(view: View, site: str | None) -> dict[str, Any]:
    parts = view.parts
    speed = max(1.0, parts.demo_speed or 1.0)
    piles = open_piles(parts.registry, view.now, site)
    reports = parts.book.reports(
        [pile.id for pile in piles],
        view.now,
        fresh_ms=round(RENEW_MS * speed),
        oldest_ms=round(OLDEST_MS * speed),
        patience_s=PATIENCE_S,
    )
    rows = round_rows(parts.registry, piles, reports, view.units)
    groups: list[tuple[str, list[RoundRow]]] = [
        (need, [row for row in rows if row.need == need]) for need in NEEDS
    ]
    sites = parts.registry.sites.all()
    return {
        "groups": [(need, found) for need, found in groups if found],
        "total": len(rows),
        "waiting": [pile for pile in piles if pile.id not in reports],
        "hands": sum(row.need in {"danger", "now"} for row in rows),
        "doubts": sum(row.need == "check" for row in rows),
        "sparks": sparks_of(parts.book).of_many([row.report for row in rows], PATIENCE_S),
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
