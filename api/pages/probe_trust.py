"""What of each probe is not to be believed: a newest reading that the sums leave out, and what the sums call a fault."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from api.pages.view import View
from api.v1.probes import ProbeOut
from shared.heat.report import SensorHeat
from shared.heat.screening import REACH_MS, RawReadings, Reason, screen
from shared.ports import ReadingsStore, SensorSummary
from shared.round import FRESH_MS
from shared.spoken import depth_words
from shared.times import MINUTE, Millis, Span

OLDEST_MS = 15 * MINUTE
PATIENCE_S = 0.15  # what was not read by then is judged by its newest value alone

Depth = tuple[float | None, str | None]
"""Centimetres, or the name that stands in their place."""


@dataclass(slots=True)
class Doubts:
    left_out: dict[Depth, str] = field(default_factory=dict)  # why the newest reading is, by ``Reason.text``
    faults: dict[str, list[str]] = field(default_factory=dict)  # in the report's words, each with its depths


def doubts_of(
    view: View, probes: Sequence[ProbeOut], sensors: Mapping[tuple[str, str], Sequence[SensorSummary]]
) -> dict[str, Doubts]:
    """By the probe's id; ``sensors`` by site and name."""
    deadline = time.monotonic() + PATIENCE_S
    heats = _heats(view, probes)
    found: dict[str, Doubts] = {}
    for probe in probes:
        doubts = found[probe.id] = Doubts()
        fresh: list[SensorSummary] = []  # the report knows no good reading as new as these
        for summary in sensors.get((probe.site, probe.name), ()):
            if summary.sensor.quantity != "temperature":
                continue
            depth = _depth(summary)
            heat = heats.get((probe.placement.pile, probe.name, depth)) if probe.placement else None
            if heat is not None and heat.fault:
                doubts.faults.setdefault(heat.fault, []).append(depth_words(*depth))
            if heat is None or heat.last_at is None or heat.last_at < summary.last_at:
                fresh.append(summary)
        if fresh:
            known = view.parts.readings if time.monotonic() < deadline else None
            doubts.left_out = {
                depth: reason.text for depth, reason in _newest(known, fresh).items() if reason
            }
    return found


def _heats(view: View, probes: Sequence[ProbeOut]) -> dict[tuple[str, str, Depth], SensorHeat]:
    piles = sorted({probe.placement.pile for probe in probes if probe.placement})
    speed = max(1.0, view.parts.demo_speed or 1.0)
    reports = view.parts.book.reports(
        piles,
        view.now,
        fresh_ms=round(FRESH_MS * speed),
        oldest_ms=round(OLDEST_MS * speed),
        patience_s=PATIENCE_S,
    )
    told = [(pile, heat) for pile, report in reports.items() for heat in report.sensors]
    told.sort(key=lambda one: one[1].last_at or 0)  # of two positions in one pile the later
    return {(pile, heat.probe, (heat.depth_cm, heat.level)): heat for pile, heat in told}


def _newest(readings: ReadingsStore | None, sensors: Sequence[SensorSummary]) -> dict[Depth, Reason]:
    """How the newest reading of each of one probe's depths is judged; without a store by its value alone."""
    alone = {
        one.sensor: RawReadings(np.array([one.last_at]), np.array([one.last_value]), np.zeros(1, np.uint8))
        for one in sensors
    }
    if readings is not None:
        last_at = max(one.last_at for one in sensors)
        span = Span(Millis(last_at - REACH_MS), Millis(last_at + 1))
        for sensor, curve in readings.read_many(alone, span).items():
            if len(curve):
                alone[sensor] = RawReadings(curve.at, curve.value, curve.mark)
    judged = screen(list(alone.values()))
    return {_depth(one): Reason(int(found[-1])) for one, found in zip(sensors, judged, strict=True)}


def _depth(summary: SensorSummary) -> Depth:
    key = summary.sensor
    return (key.depth_cm, None) if key.depth_cm is not None else (None, key.depth or None)
