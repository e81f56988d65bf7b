"""What of each probe is not to be believed: a newest reading that the sums leave out, and what the sums call a fault."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence

import numpy as np

from api.parts import Parts
from api.v1.shown_probe import ProbeOut
from shared.heat.report import SensorHeat
from shared.heat.screening import REACH_MS, RawReadings, Reason, screen
from shared.ports import ReadingsStore, SensorSummary
from shared.round import FRESH_MS, OLDEST_MS
from shared.times import Millis, Span

Depth = tuple[float | None, str | None]
"""Centimetres, or the name that stands in their place."""


def with_doubts(
    parts: Parts,
    probes: Sequence[ProbeOut],
    summaries: Mapping[tuple[str, str], Sequence[SensorSummary]],
    now: Millis,
    *,
    patience_s: float,
) -> list[ProbeOut]:
    """The same probes, ``left_out`` and ``fault`` of each sensor filled in; ``summaries`` by site and name.

    What was not read within ``patience_s`` is judged by its newest value alone.
    """
    deadline = time.monotonic() + patience_s
    heats = _heats(parts, probes, now, patience_s)
    return [
        _with_doubts(
            parts.readings if time.monotonic() < deadline else None,
            probe,
            [
                one
                for one in summaries.get((probe.site, probe.name), ())
                if one.sensor.quantity == "temperature"
            ],
            heats,
        )
        for probe in probes
    ]


def _with_doubts(
    readings: ReadingsStore | None,
    probe: ProbeOut,
    summaries: Sequence[SensorSummary],
    heats: Mapping[tuple[str, str, Depth], SensorHeat],
) -> ProbeOut:
    pile = probe.placement.pile if probe.placement else None
    known = (
        {} if pile is None else {_depth(one): heats.get((pile, probe.name, _depth(one))) for one in summaries}
    )
    fresh: list[SensorSummary] = []  # the report knows no good reading as new as these
    for one in summaries:
        heat = known.get(_depth(one))
        if heat is None or heat.last_at is None or heat.last_at < one.last_at:
            fresh.append(one)
    newest = _newest(readings, fresh) if fresh else {}
    sensors = []
    for sensor in probe.sensors:
        depth, update = (sensor.depth_cm, sensor.level), dict[str, str | None]()
        if sensor.quantity == "temperature":
            reason, heat = newest.get(depth), known.get(depth)
            update = {"left_out": reason.text if reason else None, "fault": heat.fault if heat else None}
        sensors.append(sensor.model_copy(update=update))
    return probe.model_copy(update={"sensors": sensors})


def _heats(
    parts: Parts, probes: Sequence[ProbeOut], now: Millis, patience_s: float
) -> dict[tuple[str, str, Depth], SensorHeat]:
    piles = sorted({probe.placement.pile for probe in probes if probe.placement})
    speed = max(1.0, parts.demo_speed or 1.0)
    reports = parts.book.reports(
        piles,
        now,
        fresh_ms=round(FRESH_MS * speed),
        oldest_ms=round(OLDEST_MS * speed),
        patience_s=patience_s,
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
