"""The small curve of the round and how fast the pile is warming, kept until a pile's readings change."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from weakref import ReferenceType, WeakKeyDictionary, ref

import numpy as np
from numpy.typing import NDArray

from shared.chart_lines import SensorLine, lines_of
from shared.heat.report import HeatReport
from shared.heat_book import HeatBook
from shared.times import HOUR

REACH_MS = 72 * HOUR
BINS = 48
WIDTH, HEIGHT = 140.0, 48.0
LOW_C, HIGH_C = 10.0, 76.0
TREND_MS = 3 * HOUR
_KEPT = 2_000


@dataclass(frozen=True, slots=True)
class Spark:
    pieces: tuple[str, ...] = ()  # polyline points, one text for each unbroken stretch
    line_55: float = HEIGHT * (HIGH_C - 55) / (HIGH_C - LOW_C)
    trend_k_per_h: float | None = None


class Sparks:
    """Safe to use from several threads."""

    def __init__(self, book: HeatBook) -> None:
        self._book: ReferenceType[HeatBook] = ref(book)
        self._kept: OrderedDict[str, tuple[object, Spark]] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, report: HeatReport) -> Spark:
        return self.of_many([report])[report.pile or ""]

    def of_many(self, reports: Sequence[HeatReport], patience_s: float | None = None) -> dict[str, Spark]:
        """By pile; one that was not drawn by ``patience_s`` (None = all are) stays empty until the next look."""
        deadline = None if patience_s is None else time.monotonic() + patience_s
        found: dict[str, Spark] = {}
        for report in reports:
            pile_id = report.pile or ""
            state = tuple(
                (s.probe, s.depth_cm, s.level, s.readings, s.last_at, s.zone) for s in report.sensors
            )
            with self._lock:
                kept = self._kept.get(pile_id)
            if kept is not None and kept[0] == state:
                found[pile_id] = kept[1]
            elif deadline is not None and time.monotonic() > deadline:
                found[pile_id] = Spark() if kept is None else kept[1]
            else:
                found[pile_id] = self._draw(report, state)
        return found

    def _draw(self, report: HeatReport, state: object) -> Spark:
        book = self._book()
        if book is None or report.pile is None or not report.sensors:
            return Spark()
        core = {(s.probe, s.depth_cm) for s in report.sensors if s.zone == "core"}
        history = book.history(report.pile)
        spark = spark_of([line for line in lines_of(history) if (line.probe, line.depth_cm) in core])
        with self._lock:
            self._kept[report.pile] = (state, spark)
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)
        return spark


_OF_BOOK: WeakKeyDictionary[HeatBook, Sparks] = WeakKeyDictionary()


def sparks_of(book: HeatBook) -> Sparks:
    """One keeper for each book."""
    found = _OF_BOOK.get(book)
    return found if found is not None else _OF_BOOK.setdefault(book, Sparks(book))


def spark_of(lines: list[SensorLine]) -> Spark:
    """The hottest of the core over the three days before its newest reading."""
    cut: list[tuple[NDArray[np.int64], NDArray[np.float64]]] = []
    for line in lines:
        first = int(np.searchsorted(line.at, (line.at[-1] if len(line.at) else 0) - REACH_MS))
        good = ~line.suspect[first:]
        if good.any():
            cut.append((line.at[first:][good], line.celsius[first:][good]))
    if not cut:
        return Spark()
    end = max(int(at[-1]) for at, _ in cut)
    start = end - REACH_MS
    hottest = np.full(BINS, -np.inf)
    for at, celsius in cut:
        inside = at >= start
        bins = np.minimum((at[inside] - start) * BINS // REACH_MS, BINS - 1)
        np.maximum.at(hottest, bins, celsius[inside])
    return Spark(pieces=_polylines(hottest), trend_k_per_h=_trend(cut, end))


def _polylines(hottest: NDArray[np.float64]) -> tuple[str, ...]:
    pieces: list[list[str]] = [[]]
    for index, celsius in enumerate(hottest):
        if not np.isfinite(celsius):
            pieces.append([])
            continue
        y = HEIGHT * (HIGH_C - min(HIGH_C, max(LOW_C, celsius))) / (HIGH_C - LOW_C)
        pieces[-1].append(f"{(index + 0.5) * WIDTH / BINS:.1f},{y:.1f}")
    return tuple(" ".join(piece) for piece in pieces if len(piece) > 1)


def _trend(cut: list[tuple[NDArray[np.int64], NDArray[np.float64]]], end: int) -> float | None:
    """K/h of the sensor that is hottest now, by least squares over its last three hours."""
    at, celsius = max((one for one in cut if one[0][-1] >= end - HOUR), key=lambda one: one[1][-1])
    late = at >= at[-1] - TREND_MS
    if late.sum() < 3 or at[-1] - at[late][0] < HOUR:
        return None
    hours = (at[late] - at[-1]) / HOUR
    return float(np.polynomial.polynomial.polyfit(hours, celsius[late], 1)[1])
