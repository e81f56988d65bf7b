"""Finished piles: the list, the review of one, several side by side from the day they were built."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.auth import Viewer
from api.pages.assets import engine_address
from api.pages.batch_words import summary_lines
from api.pages.pile_page import curve_version, drawable, pile_context
from api.pages.pile_story import story_of
from api.pages.rule_lines import rule_lines
from api.pages.view import AnyView, View
from api.v1.batches import MOST, finished, read_batches
from shared.chart_compare import compare_spec
from shared.chart_theme import Theme
from shared.charts import render_svg
from shared.heat.report import THRESHOLDS_C, HeatReport
from shared.learning import batch_facts, lessons
from shared.piles import Pile
from shared.times import DAY

router = APIRouter(include_in_schema=False)
MOST_COMPARED = 6
A_PAGE = 40
PATIENCE_S = 1.0  # what is not worked out by then comes with the next look
ORDERS: dict[str, Callable[[Pile], Any]] = {
    "finished": lambda pile: -(pile.finished_at or 0),
    "peg": lambda pile: (pile.peg.lower(), -pile.built_at),
    "days": lambda pile: pile.built_at - (pile.finished_at or 0),
}
ORDERS_BY_HEAT: dict[str, Callable[[Batch], float]] = {
    "hot": lambda one: -(one.report.hottest.hours_above.get("55") or 0.0),
    "peak": lambda one: -(one.report.hottest.peak_c or 0.0),
}


@dataclass(frozen=True, slots=True)
class Batch:
    pile: Pile
    report: HeatReport

    @property
    def days(self) -> float:
        end = self.pile.finished_at or self.report.as_of
        return (end - self.pile.built_at) / DAY


def _holds(pile: Pile, words: str) -> bool:
    mix = pile.mix or {}
    stuff = " ".join(str(one.get("name", "")) for one in mix.get("feedstocks", []) if isinstance(one, dict))
    text = f"{pile.peg} {pile.site} {pile.kind or ''} {mix.get('name', '')} {stuff}".lower()
    return all(word in text for word in words.lower().split())


def _batch(view: View, pile: Pile) -> Batch:
    return Batch(pile, view.report(pile))


@router.get("/batches")
def batches_page(
    view: AnyView, _: Viewer, q: str = "", sort: str = "finished", page: Annotated[int, Query(ge=1)] = 1
) -> Response:
    piles = view.parts.registry.piles.all()
    finished = [pile for pile in piles if pile.finished_at is not None and _holds(pile, q)]
    finished.sort(key=ORDERS.get(sort, ORDERS["finished"]))
    last = max(1, math.ceil(len(finished) / A_PAGE))
    some = slice((min(page, last) - 1) * A_PAGE, min(page, last) * A_PAGE)
    asked = finished if sort in ORDERS_BY_HEAT else finished[some]
    reports = view.parts.book.closed_reports(asked, patience_s=PATIENCE_S)
    batches = [Batch(pile, reports[pile.id]) for pile in asked if pile.id in reports]
    if sort in ORDERS_BY_HEAT:
        batches = sorted(batches, key=ORDERS_BY_HEAT[sort])[some]
    return view.page(
        "batches.html",
        batches=batches,
        waiting=len(asked) - len(reports),
        q=q,
        sort=sort if sort in ORDERS.keys() | ORDERS_BY_HEAT.keys() else "finished",
        number=min(page, last),
        last=last,
        zones={site.slug: site.zone for site in view.parts.registry.sites.all()},
        open_piles=[pile for pile in piles if pile.finished_at is None],
        any_finished=any(pile.finished_at is not None for pile in piles),
    )


@router.get("/batches/compare")
def compare_page(view: AnyView, _: Viewer, id: Annotated[list[str] | None, Query()] = None) -> Response:  # noqa: A002
    chosen = (id or [])[:MOST_COMPARED]
    batches = [_batch(view, view.parts.registry.piles.get(one)) for one in chosen]
    query = "&".join(f"id={batch.pile.id}" for batch in batches)
    found = finished(view.parts) if not batches else [batch.pile for batch in batches]
    shown = read_batches(view.parts, found[-MOST:])
    learnt = lessons([batch_facts(report, history) for report, history in shown], len(found))
    return view.page("compare.html", batches=batches, query=query, thresholds=THRESHOLDS_C, lessons=learnt)


@router.get("/batches/compare.svg")
def compare_svg(
    view: AnyView,
    _: Viewer,
    id: Annotated[list[str] | None, Query()] = None,  # noqa: A002 - the query's name
    w: Annotated[int, Query(ge=280, le=2000)] = 1080,
    theme: Theme = "light",
) -> Response:
    batches = [_batch(view, view.parts.registry.piles.get(one)) for one in (id or [])[:MOST_COMPARED]]
    runs = [
        (batch.pile.peg, batch.pile.built_at, view.parts.book.history(batch.pile.id), batch.report)
        for batch in batches
    ]
    svg = render_svg(compare_spec(runs, units=view.units, width=w, theme=theme))
    headers = {"Cache-Control": "private, max-age=60", "Vary": "Cookie"}
    return Response(svg, media_type="image/svg+xml", headers=headers)


@router.get("/batches/{pile_id}")
def batch_page(pile_id: str, view: AnyView, _: Viewer) -> Response:
    registry = view.parts.registry
    pile = registry.piles.get(pile_id)
    batch = _batch(view, pile)
    notes = registry.piles.notes(pile.id)
    thinned = view.parts.book.thinned(pile.id)
    context: dict[str, Any] = pile_context(view, pile) | {
        "report": batch.report,
        "thinned": thinned[0].words(thinned[1]) if thinned else "",
    }
    return view.page(
        "batch.html",
        **context,
        batch=batch,
        drawable=drawable(batch.report, notes),
        summary=summary_lines(batch.report, pile, view.units),
        story=story_of(batch.report, registry.piles.turns(pile.id), notes),
        rules=rule_lines(batch.report, view.units),
        thresholds=THRESHOLDS_C,
        probes={probe.name: probe for probe in registry.probes.all(pile.site)},
        curve_version=curve_version(batch.report, view),
        engine=engine_address(),
        others=[one for one in registry.piles.all() if one.id != pile.id and one.finished_at is not None],
    )
