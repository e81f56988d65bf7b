"""What the heat of a pile has done: the report as JSON and as a document."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.auth import Viewer
from api.parts import PartsHere
from api.v1.lookup import find_pile
from api.v1.wire import PREFIX, Instant, no_later_than
from shared.heat.report import HeatReport

router = APIRouter(prefix=PREFIX, tags=["heat"])

When = Annotated[Instant | None, Query(description="as it stood then; without it, as it stands now")]


@router.get("/piles/{pile}/heat", response_model=HeatReport)
def get_heat(pile: str, parts: PartsHere, _: Viewer, at: When = None) -> Response:
    """Unknown is null, never 0."""
    now = parts.clock.now()
    if at is not None:
        no_later_than(now, at, "query.at")
    held = find_pile(parts.registry, pile)
    report = parts.book.report(held.id, now if at is None else at)
    return Response(report.model_dump_json(), media_type="application/json")
