"""Finished piles side by side, and a season of them as a table."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import StreamingResponse

from api.auth import Viewer
from api.parts import Parts, PartsHere
from api.readings_csv import text_cell
from api.v1.lookup import find_pile
from api.v1.wire import PREFIX
from shared.build_record import build_of
from shared.heat.report import HeatReport
from shared.heat_book import PileHistory
from shared.learning import BatchFacts, Lessons, batch_facts, lessons
from shared.piles import Pile
from shared.times import iso, to_datetime

router = APIRouter(prefix=PREFIX, tags=["batches"])
MOST = 300
Chosen = Annotated[
    list[str] | None, Query(max_length=MOST, description="these piles; without it, all that are finished")
]
SiteAsked = Annotated[str | None, Query(description="only this site's")]
Year = Annotated[
    int | None, Query(ge=1970, le=2200, description="finished in this year, by the site's clock")
]
COLUMNS = (
    "peg", "site", "kind", "built_at", "finished_at", "days", "volume_l", "mix", "feedstocks", "carbon_to_nitrogen",
    "moisture_percent", "built_by", "weather", "read_by", "known_share", "hours_to_55", "peak_c", "peak_at",
    "hottest_hours_55", "coldest_hours_55", "hottest_hours_65", "turns", "turns_counted", "watered_l", "rules", "went_wrong",
)  # fmt: skip


@router.get("/batches/compare")
def compare_batches(
    parts: PartsHere,
    _: Viewer,
    id: Chosen = None,  # noqa: A002 - the query's name
    site: SiteAsked = None,
    year: Year = None,
) -> Lessons:
    """Each batch's figures, and the same for batches of one mix and of one range of C:N, with how many stand behind it.

    At most the last 300 to be finished; ``of`` says how many there are.
    """
    if id:
        piles = [find_pile(parts.registry, one) for one in dict.fromkeys(id)]
    else:
        piles = finished(parts, site, year)
    shown = piles[-MOST:]
    return lessons(
        [batch_facts(report, history) for report, history in read_batches(parts, shown)], len(piles)
    )


@router.get(
    "/batches.csv",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/csv": {"schema": {"type": "string"}}}}},
)
def season(parts: PartsHere, _: Viewer, site: SiteAsked = None, year: Year = None) -> StreamingResponse:
    """One row for each finished batch, by the time it was finished. Temperatures in °C, times in UTC."""
    name = "batches" + (f"-{year}" if year else "") + ".csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return StreamingResponse(
        _rows(parts, finished(parts, site, year)), media_type="text/csv; charset=utf-8", headers=headers
    )


def finished(parts: Parts, site: str | None = None, year: int | None = None) -> list[Pile]:
    """By the time they were finished."""
    zones = {one.slug: one.zone for one in parts.registry.sites.all()}
    found = [
        (pile.finished_at, pile)
        for pile in parts.registry.piles.all(site=site)
        if pile.finished_at is not None
        and (year is None or to_datetime(pile.finished_at, zones.get(pile.site, "UTC")).year == year)
    ]
    return [pile for _, pile in sorted(found, key=lambda one: (one[0], one[1].id))]


def read_batches(parts: Parts, piles: Iterable[Pile]) -> Iterator[tuple[HeatReport, PileHistory]]:
    for pile in piles:
        at = pile.finished_at if pile.finished_at is not None else parts.clock.now()
        yield parts.book.report(pile.id, at), parts.book.history(pile.id)


def _rows(parts: Parts, piles: list[Pile]) -> Iterator[str]:
    yield _line(COLUMNS)
    for report, history in read_batches(parts, piles):
        yield _line(_cells(batch_facts(report, history), report, history))


def _cells(facts: BatchFacts, report: HeatReport, history: PileHistory) -> list[str]:
    pile, record = history.pile, build_of(history.notes)
    stuff = (pile.mix or {}).get("feedstocks")
    names = [one for one in stuff if isinstance(one, dict)] if isinstance(stuff, list) else []
    low = report.coldest.hours_above["55"]
    return [
        facts.peg, facts.site, facts.kind, iso(facts.built_at), iso(facts.finished_at) if facts.finished_at is not None else "",
        _figure(facts.days), _figure(pile.volume_l), facts.mix, "; ".join(_stuff(one) for one in names),
        _figure(facts.carbon_to_nitrogen), _figure(facts.moisture_percent), record.by if record else "",
        record.weather if record else "", facts.read_by, _figure(facts.known_share, 3), _figure(facts.hours_to_hot),
        _figure(facts.peak_c), iso(report.hottest.peak_at) if report.hottest.peak_at is not None else "",
        _figure(facts.hours_above_55), _figure(low), _figure(facts.hours_above_65), str(facts.turns), str(facts.turns_counted),
        _figure(facts.watered_l), "; ".join(f"{rule.id}: {rule.status}" for rule in report.rules), "; ".join(facts.went_wrong),
    ]  # fmt: skip


def _stuff(one: dict[str, object]) -> str:
    mass = one.get("mass_kg")
    return f"{one.get('name', '')}{f' {mass:.0f} kg' if isinstance(mass, int | float) else ''}"


def _figure(value: float | None, digits: int = 1) -> str:
    """Unknown is an empty cell, never 0."""
    return "" if value is None else f"{value:.{digits}f}"


def _line(cells: Iterable[str]) -> str:
    out = io.StringIO()
    csv.writer(out).writerow([text_cell(cell) for cell in cells])
    return out.getvalue()
