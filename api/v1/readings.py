"""The readings of a pile: thinned for a chart, or all of them as a file."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from fastapi import APIRouter, Query
from fastapi.responses import StreamingResponse
from numpy.typing import NDArray
from pydantic import Field

from api.auth import Viewer
from api.parts import PartsHere
from api.problems import unprocessable
from api.readings_csv import csv_pieces, iso_texts
from api.thinning import thin
from api.v1.lookup import file_name, find_pile
from api.v1.wire import PREFIX, At, Instant, Out
from shared.heat.screening import Reason
from shared.heat_book import SensorHistory
from shared.piles import Zone
from shared.times import Millis

router = APIRouter(prefix=PREFIX, tags=["readings"])

_REASONS = [reason.text or None for reason in Reason]

From = Annotated[Instant | None, Query(alias="from", description="closed")]
To = Annotated[Instant | None, Query(description="open")]
Points = Annotated[
    int | None,
    Query(ge=4, le=1_000_000, description="at most so many per sensor; the shape and the peaks stay"),
]


class SensorReadings(Out):
    """Three arrays of one length. ``suspect`` names why the sums leave a reading out, null where they do not."""

    probe: str
    depth_cm: float | None
    level: str | None
    position: str
    zone: Zone
    placement: str
    total: int = Field(description="readings in that time, before any were thinned out")
    at: list[str]
    celsius: list[float | None]
    suspect: list[str | None]
    gaps: list[tuple[At, At]] = Field(description="stretches between good readings over max_gap_minutes")


class ReadingsOut(Out):
    pile: str
    from_: At | None = Field(alias="from")
    to: At | None
    max_gap_minutes: float
    sensors: list[SensorReadings]


@router.get("/piles/{pile}/readings")
def get_readings(
    pile: str, parts: PartsHere, _: Viewer, from_: From = None, to: To = None, points: Points = None
) -> ReadingsOut:
    """Calibrated temperatures of every sensor that stood in the pile, while it stood there; suspect ones too."""
    if from_ is not None and to is not None and to < from_:
        raise unprocessable("query.to", "lies before from")
    held = find_pile(parts.registry, pile)
    history = parts.book.history(held.id)
    return ReadingsOut(
        pile=held.id,
        from_=from_,
        to=to,
        max_gap_minutes=parts.settings.analysis.max_gap_minutes,
        sensors=[_show(sensor, from_, to, points, parts.settings.max_gap_ms) for sensor in history.sensors],
    )


@router.get(
    "/piles/{pile}/readings.csv",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/csv": {"schema": {"type": "string"}}}}},
)
def get_readings_csv(pile: str, parts: PartsHere, _: Viewer) -> StreamingResponse:
    """Every reading of the pile, suspect ones too, in the long format: time, probe, depth_cm (or level), celsius.

    Whoever works the file out gets the hours that the report has: values are calibrated, an unknown value is an empty
    cell, and retained messages of unknown age are not in it.
    """
    held = find_pile(parts.registry, pile)
    rows = csv_pieces(parts.book.history(held.id))
    headers = {"Content-Disposition": f'attachment; filename="{file_name(held, "readings.csv")}"'}
    return StreamingResponse(rows, media_type="text/csv; charset=utf-8", headers=headers)


def _show(
    sensor: SensorHistory, start: Millis | None, end: Millis | None, points: int | None, max_gap_ms: int
) -> SensorReadings:
    low = 0 if start is None else int(np.searchsorted(sensor.at, start, "left"))
    high = len(sensor.at) if end is None else int(np.searchsorted(sensor.at, end, "left"))
    at, celsius, reason = sensor.at[low:high], sensor.celsius[low:high], sensor.reason[low:high]
    bad = reason != Reason.GOOD
    kept = slice(None) if points is None else thin(at, celsius, bad, points)
    return SensorReadings(
        probe=sensor.key.probe,
        depth_cm=sensor.key.depth_cm,
        level=sensor.key.depth if sensor.key.depth_cm is None else None,
        position=sensor.placement.position,
        zone=sensor.placement.zone,
        placement=sensor.placement.id,
        total=len(at),
        at=iso_texts(at[kept]),
        celsius=[value if np.isfinite(value) else None for value in celsius[kept].round(6).tolist()],
        suspect=[_REASONS[code] for code in reason[kept].tolist()],
        gaps=_gaps(at[~bad], max_gap_ms),
    )


def _gaps(at: NDArray[np.int64], max_gap_ms: int) -> list[tuple[Millis, Millis]]:
    before = np.flatnonzero(np.diff(at) > max_gap_ms)
    return [(Millis(a), Millis(b)) for a, b in zip(at[before].tolist(), at[before + 1].tolist(), strict=True)]
