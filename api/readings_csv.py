"""The readings of a pile as CSV, in the long format of contracts section 3."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from shared.heat.screening import Reason
from shared.heat_book import PileHistory

_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_ROWS_AT_ONCE = 5_000


def iso_texts(at: NDArray[np.int64]) -> list[str]:
    """As ``shared.times.iso``, for many at once."""
    texts = np.datetime_as_string(at.astype("datetime64[ms]"), unit="ms").tolist()
    return [f"{text.removesuffix('.000')}Z" for text in texts]


def csv_pieces(history: PileHistory) -> Iterator[str]:
    """In pieces, sensor after sensor, each by time."""
    levels = any(sensor.key.depth_cm is None for sensor in history.sensors)
    yield f"time,probe,{'level' if levels else 'depth_cm'},celsius\r\n"
    for sensor in history.sensors:
        names = [text_cell(sensor.key.probe), text_cell(sensor.key.depth)]
        dated = sensor.reason != Reason.STALE
        at, celsius = sensor.at[dated], sensor.celsius[dated]
        for start in range(0, len(at), _ROWS_AT_ONCE):
            some = slice(start, start + _ROWS_AT_ONCE)
            piece = io.StringIO()
            writer = csv.writer(piece)
            for time, value in zip(iso_texts(at[some]), celsius[some].tolist(), strict=True):
                writer.writerow([time, *names, f"{value:.10g}" if math.isfinite(value) else ""])
            yield piece.getvalue()


def text_cell(text: str) -> str:
    """A text that a spreadsheet takes as text, not as a formula."""
    return f"'{text}" if text.startswith(_FORMULA) else text
