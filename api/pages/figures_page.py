"""The curve as a table by day and as depth against time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from fastapi import APIRouter
from fastapi.responses import Response

from api.auth import Viewer
from api.pages.pile_page import curve_version
from api.pages.view import AnyView
from shared.chart_lines import SensorLine, lines_of
from shared.times import DAY, Millis, from_datetime, to_datetime

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class DayRow:
    start: Millis
    cells: tuple[tuple[float, float] | None, ...]  # lowest and highest of each sensor


@router.get("/piles/{pile_id}/figures")
def figures_page(pile_id: str, view: AnyView, _: Viewer) -> Response:
    registry = view.parts.registry
    pile = registry.piles.get(pile_id)
    zone = registry.sites.get(pile.site).zone
    report = view.report(pile)
    lines = lines_of(view.parts.book.history(pile.id))
    return view.page(
        "figures.html", pile=pile, zone=zone, lines=lines, days=day_rows(lines, zone),
        curve_version=curve_version(report, view), rows=max(1, len(lines)),
    )  # fmt: skip


def day_rows(lines: list[SensorLine], zone: str) -> list[DayRow]:
    """One row a local day that has readings; suspect ones are left out."""
    good = [(line.at[~line.suspect], line.celsius[~line.suspect]) for line in lines]
    found = [at for at, _ in good if len(at)]
    if not found:
        return []
    end = max(int(at[-1]) for at in found)
    start = _midnight(Millis(min(int(at[0]) for at in found)), zone)
    rows = []
    while start <= end:
        following = _midnight(Millis(start + DAY + DAY // 2), zone)
        cells = tuple(_extent(at, celsius, start, following) for at, celsius in good)
        if any(cells):
            rows.append(DayRow(start, cells))
        start = following
    return rows


def _extent(
    at: np.ndarray[tuple[int], np.dtype[np.int64]],
    celsius: np.ndarray[tuple[int], np.dtype[np.float64]],
    start: int,
    end: int,
) -> tuple[float, float] | None:
    low, high = np.searchsorted(at, [start, end])
    if low == high:
        return None
    part = celsius[low:high]
    return float(part.min()), float(part.max())


def _midnight(at: Millis, zone: str) -> Millis:
    return from_datetime(to_datetime(at, zone).replace(hour=0, minute=0, second=0, microsecond=0))
