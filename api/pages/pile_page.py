"""One pile: its state, what to do next, its curve and its story."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fastapi import APIRouter
from fastapi.responses import Response

from api.auth import Viewer
from api.pages.assets import engine_address
from api.pages.pile_story import story_of
from api.pages.rule_lines import rule_lines
from api.pages.sparks import sparks_of
from api.pages.view import AnyView, View
from api.v1.builds import steps_of
from shared.build_record import build_of
from shared.heat.report import THRESHOLDS_C, HeatReport
from shared.ids import new_id
from shared.mix.checklist import DAY_WORDS
from shared.piles import FieldNote, Pile
from shared.round import RoundRow, round_row

router = APIRouter(include_in_schema=False)


def pile_context(view: View, pile: Pile) -> dict[str, Any]:
    """What the pile page and the page of a signed link know."""
    registry = view.parts.registry
    site = registry.sites.get(pile.site)
    report = view.report(pile)
    episodes = tuple(registry.episodes.unresolved(pile.id))
    notes = registry.piles.notes(pile.id)
    row = round_row(pile, site.zone, report, episodes, view.units)
    return {
        "pile": pile,
        "site": site,
        "zone": site.zone,
        "report": report,
        "row": row,
        "build": build_of(notes),
        "checklist": steps_of(notes),
        "days": DAY_WORDS,
        "hand_depth": _hand_depth(notes),
        "key": new_id(view.now),
    }


@router.get("/piles/{pile_id}")
def pile_page(pile_id: str, view: AnyView, _: Viewer) -> Response:
    registry = view.parts.registry
    pile = registry.piles.get(pile_id)
    context = pile_context(view, pile)
    report: HeatReport = context["report"]
    notes = registry.piles.notes(pile.id)
    return view.page(
        "pile.html",
        **context,
        spark=sparks_of(view.parts.book).of(report),
        probes={probe.name: probe for probe in registry.probes.all(pile.site)},
        placements=registry.probes.placements(pile_id=pile.id),
        story=story_of(report, registry.piles.turns(pile.id), notes),
        notices=registry.notices.all(pile_id=pile.id, limit=12),
        people={person.id: person.name for person in registry.people.all()},
        rules=rule_lines(report, view.units),
        thresholds=THRESHOLDS_C,
        drawable=drawable(report, notes),
        opens_hot_pile=_opens_hot_pile(context["row"]),
        curve_version=curve_version(report, view),
        engine=engine_address(),
        catalogue=view.parts.catalogue,
    )


def _hand_depth(notes: Sequence[FieldNote]) -> float | None:
    """Where the last hand reading was taken: one depth gives one line."""
    depths = [note.figures.get("depth_cm") for note in notes if note.kind == "hand_reading"]
    return float(depths[-1]) if depths and isinstance(depths[-1], int | float) else None


def drawable(report: HeatReport, notes: Sequence[FieldNote]) -> bool:
    """Whether there is anything to draw a curve of."""
    read = any(sensor.readings or sensor.suspect for sensor in report.sensors)
    return read or any(note.kind == "hand_reading" for note in notes)


def curve_version(report: HeatReport, view: View) -> str:
    """Changes when the curve does, so that a browser may keep the picture until then."""
    readings = sum(sensor.readings + sensor.suspect for sensor in report.sensors)
    return f"{readings:x}-{view.parts.registry.version():x}"


def _opens_hot_pile(row: RoundRow) -> bool:
    hot = row.figure.celsius is None or row.figure.celsius >= 50
    return hot and (row.need in {"danger", "now", "soon"} or row.report.risk.level != "none")
