"""What the heat of a pile has done: the report as JSON and as a document."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from api.auth import Viewer
from api.document_photos import photos_of
from api.documents import Setting, batch_pdf
from api.parts import PartsHere
from api.shared_work import SharedWork
from api.v1.lookup import file_name, find_pile
from api.v1.wire import PREFIX, Instant, no_later_than
from shared.heat.report import HeatReport
from shared.units import Units

router = APIRouter(prefix=PREFIX, tags=["heat"])

Paper = Literal["a4", "us-letter"]
When = Annotated[Instant | None, Query(description="as it stood then; without it, as it stands now")]


@router.get("/piles/{pile}/heat", response_model=HeatReport)
def get_heat(request: Request, pile: str, parts: PartsHere, _: Viewer, at: When = None) -> Response:
    """Unknown is null, never 0."""
    if at is not None:
        no_later_than(parts.clock.now(), at, "query.at")
    held = find_pile(parts.registry, pile)

    def report() -> str:
        return parts.book.report(held.id, parts.clock.now() if at is None else at).model_dump_json()

    shared: SharedWork[str] = request.app.state.reports
    return Response(shared.get((held.id, at), report), media_type="application/json")


@router.get(
    "/piles/{pile}/report.pdf",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {"schema": {"type": "string", "format": "binary"}}}}},
)
def get_report_pdf(
    pile: str, parts: PartsHere, _: Viewer, units: Units = "celsius", paper: Paper = "a4"
) -> Response:
    """The record of the batch on one page, with an appendix to check it by; times in the site's zone."""
    held = find_pile(parts.registry, pile)
    site = parts.registry.sites.get(held.site)
    thinned = parts.book.thinned(held.id)
    setting = Setting(
        title=f"{held.peg}, {site.name}",
        site=site.name,
        zone=site.zone,
        units=units,
        paper=paper,
        rules=held.rule_ids,
        guide=parts.catalogue.guide(held.guide_id),
        data_hash=thinned[0].data_hash if thinned else None,
        basis=(thinned[0].words(thinned[1]),) if thinned else (),
    )
    report = parts.book.report(held.id, parts.clock.now())
    history = parts.book.history(held.id)
    body = batch_pdf(report, history, held, setting, photos_of(parts.registry, history.notes))
    headers = {"Content-Disposition": f'inline; filename="{file_name(held, "report.pdf")}"'}
    return Response(body, media_type="application/pdf", headers=headers)
