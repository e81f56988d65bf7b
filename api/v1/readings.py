"""The readings of a pile: thinned for a chart, or all of them as a file."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Annotated

import numpy as np
from fastapi import APIRouter, Query
from fastapi.responses import StreamingResponse
from numpy.typing import NDArray
from pydantic import Field

from api.auth import Viewer
from api.parts import PartsHere
from api.problems import unprocessable
from api.thinning import thin
from api.v1.lookup import find_pile
from api.v1.wire import At, Instant, Out
from shared.heat.screening import Reason
from shared.heat_book import PileHistory, SensorHistory
from shared.piles import Zone
from shared.times import MINUTE, Millis

router = APIRouter(tags=["readings"])

_REASONS = [reason.text or None for reason in Reason]
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_ROWS_AT_ONCE = 5_000

From = Annotated[Instant | None, Query(alias="from", description="closed")]
To = Annotated[Instant | None, Query(description="open")]
Points = Annotated[
    int | None, Query(ge=4, le=1_000_000, description="at most so many per sensor; the shape and the peaks stay")
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
