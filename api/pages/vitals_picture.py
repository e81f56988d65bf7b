"""Battery and signal of the last thirty days, as a small picture that the page of probes loads when it is opened."""

from __future__ import annotations

from typing import Final

import numpy as np
from fastapi import APIRouter
from fastapi.responses import Response

from api.auth import Viewer
from api.pages.view import AnyView
from api.v1.vitals import vitals_of
from shared.readings import Curve, Quantity
from shared.times import DAY, Millis, Span

router = APIRouter(include_in_schema=False)

REACH_MS: Final = 30 * DAY
WIDTH, ROW, BINS = 320, 64, 120
_WORDS: Final[dict[Quantity, tuple[str, str, float]]] = {  # name, unit, least height of the scale
    "battery_percent": ("Battery", "%", 10.0),
    "battery_volt": ("Battery", "V", 0.2),
    "rssi": ("Signal", "dBm", 10.0),
}


@router.get("/probes/{probe_id}/vitals.svg")
def vitals_svg(probe_id: str, view: AnyView, _: Viewer) -> Response:
    held = view.parts.registry.probes.get(probe_id)
    start = Millis(view.now - REACH_MS)
    found = vitals_of(view.parts, held, Span(start, Millis(view.now + 1)))
    rows = [_row(name, curve, start, number * ROW) for number, (name, curve) in enumerate(found.items())]
    height = max(1, len(rows)) * ROW
    inner = "".join(rows) or '<text x="0" y="20">nothing told in the last 30 days</text>'
    picture = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}"'
        f' font-family="sans-serif" font-size="13"><rect width="100%" height="100%" fill="#fff"/>{inner}</svg>'
    )
    return Response(picture, media_type="image/svg+xml", headers={"Cache-Control": "private, max-age=60"})


def _row(quantity: Quantity, curve: Curve, start: Millis, top: int) -> str:
    """The lowest of each stretch of six hours: a battery that gives way under load shows."""
    name, unit, least = _WORDS[quantity]
    bins = np.clip((curve.at - start) * BINS // REACH_MS, 0, BINS - 1)
    lowest = np.full(BINS, np.inf)
    np.minimum.at(lowest, bins, curve.value)
    told = np.flatnonzero(np.isfinite(lowest))
    low, high = float(lowest[told].min()), float(curve.value.max())
    middle, half = (low + high) / 2, max(high - low, least) / 2
    line = " ".join(
        f"{(place + 0.5) * WIDTH / BINS:.1f},{top + 42 - 18 * (lowest[place] - middle) / half:.1f}"
        for place in told.tolist()
    )
    label = f"{name}, 30 days: {low:g} to {high:g} {unit}"
    dot = line.rpartition(" ")[2].split(",")
    return (
        f'<text x="2" y="{top + 14}" fill="#111">{label}</text>'
        f'<polyline points="{line}" fill="none" stroke="#0b5a3c" stroke-width="2"/>'
        f'<circle cx="{dot[0]}" cy="{dot[1]}" r="3" fill="#0b5a3c"/>'
    )
