"""Histories for the charts' own tests, made of plain arrays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from shared.heat.catalogue import Catalogue
from shared.heat.compose import heat_report
from shared.heat.facts import PileFacts
from shared.heat.report import HeatReport
from shared.heat.screening import Reason
from shared.heat_book import PileHistory, SensorHistory
from shared.piles import FieldNote, Pile, Placement, Turn
from shared.readings import Curve, SensorKey
from shared.times import MINUTE, Millis, Span, parse_time

BUILT = parse_time("2026-11-03T09:00:00Z")
STEP = 10 * MINUTE


def history(
    curves: Mapping[str, Sequence[float]],
    *,
    step: int = STEP,
    suspect: Mapping[str, Sequence[int]] | None = None,
    turns: Sequence[Turn] = (),
    notes: Sequence[FieldNote] = (),
    missing: range | None = None,
) -> PileHistory:
    """One probe; ``suspect`` and ``missing`` are indexes into the curves."""
    pile = Pile("pile", "larkfield", "K-07", BUILT)
    stay = Placement("stay", "larkfield", "lance-07", "pile", Span(BUILT), "middle")
    sensors = []
    for depth, values in curves.items():
        at = BUILT + np.arange(len(values), dtype=np.int64) * step
        celsius = np.asarray(values, dtype=np.float64)
        reason = np.zeros(len(values), dtype=np.uint8)
        for index in (suspect or {}).get(depth, ()):
            reason[index] = Reason.JUMP
        kept = np.ones(len(values), dtype=bool)
        if missing is not None:
            kept[missing.start : missing.stop] = False
        sensors.append(
            SensorHistory(
                SensorKey("larkfield", "lance-07", depth), stay, at[kept], celsius[kept], reason[kept]
            )
        )
    return PileHistory(pile, tuple(sensors), tuple(turns), tuple(notes))


def report(made: PileHistory, now: Millis | None = None) -> HeatReport:
    catalogue = Catalogue.load()
    placements = {sensor.placement.id: sensor.placement for sensor in made.sensors}
    facts = PileFacts(made.pile, tuple(placements.values()), made.turns, made.notes)
    curves = {
        sensor.key: Curve(sensor.at, sensor.celsius, np.zeros(len(sensor.at), dtype=np.uint8))
        for sensor in made.sensors
    }
    ends = [int(sensor.at[-1]) for sensor in made.sensors if len(sensor.at)]
    at = now if now is not None else Millis(max(ends, default=BUILT))
    return heat_report(facts, curves, at, catalogue.default_guide, [], 180 * MINUTE)
