"""The round: what needs hands, in order."""

from __future__ import annotations

from fastapi import APIRouter, Request

from api.auth import Viewer
from api.parts import PartsHere
from api.shared_work import SharedWork
from api.v1.lookup import check_site
from api.v1.wire import PAGE, PREFIX, At, Cursor, Limit, Out, Page, read_cursor, write_cursor
from shared.heat.report import Phase, RiskLevel, TurnStateNow
from shared.round import RoundRow, round_list
from shared.round_verdict import Need
from shared.units import Units

router = APIRouter(prefix=PREFIX, tags=["round"])


class FigureOut(Out):
    """The hottest core reading; ``fresh`` false = too old to stand for the present."""

    celsius: float | None
    at: At | None
    fresh: bool


class RowOut(Out):
    pile: str
    peg: str
    site: str
    zone: str
    need: Need
    act: str
    by: At | None
    why: str
    figure: FigureOut
    phase: Phase
    turn_state: TurnStateNow
    turn_load: float | None
    turns_counted: int
    turns_required: int
    risk: RiskLevel
    episodes: list[str]


def show(row: RoundRow) -> RowOut:
    turn = row.report.turn
    return RowOut(
        pile=row.pile.id,
        peg=row.pile.peg,
        site=row.pile.site,
        zone=row.zone,
        need=row.need,
        act=row.act,
        by=row.by,
        why=row.why,
        figure=FigureOut(celsius=row.figure.celsius, at=row.figure.at, fresh=row.figure.fresh),
        phase=row.report.phase,
        turn_state=turn.state,
        turn_load=turn.load,
        turns_counted=turn.counted,
        turns_required=turn.required,
        risk=row.report.risk.level,
        episodes=[episode.id for episode in row.episodes],
    )


@router.get("/round")
def get_round(
    request: Request,
    parts: PartsHere,
    caller: Viewer,
    site: str | None = None,
    units: Units = "celsius",
    cursor: Cursor = None,
    limit: Limit = PAGE,
) -> Page[RowOut]:
    """Open piles, the most pressing first; a cursor is a place in that order as it is now."""
    if site is not None:
        check_site(parts.registry, site, "query.site")
    start = 0 if cursor is None else max(0, int(read_cursor(cursor, (0,))[0]))
    end = start + limit

    def rows_now() -> list[RoundRow]:
        return round_list(parts.registry, parts.book, parts.clock.now(), site, units=units)

    shared: SharedWork[list[RoundRow]] = request.app.state.rounds
    rows = shared.get((site, units, caller.scope), rows_now)
    return Page(
        items=[show(row) for row in rows[start:end]],
        next=write_cursor((end,)) if end < len(rows) else None,
    )
