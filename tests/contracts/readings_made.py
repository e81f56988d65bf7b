"""Readings of invented probes, for the readings contract."""

from __future__ import annotations

from shared.readings import ArrivalMark, Curve, Reading, SensorKey
from shared.times import Millis, Span

SITE = "larkfield"
CORE = SensorKey(SITE, "P1", "45")
EDGE = SensorKey(SITE, "P1", "7.5")
OTHER = SensorKey(SITE, "P2", "45")
EVER = Span(Millis(-(10**13)))


def reading(
    at: int, value: float = 60.0, sensor: SensorKey = CORE, mark: ArrivalMark = ArrivalMark.NONE
) -> Reading:
    return Reading(sensor, Millis(at), value, Millis(at + 1500), mark)


def listed(curve: Curve) -> list[tuple[int, float, int]]:
    return list(zip(curve.at.tolist(), curve.value.tolist(), curve.mark.tolist(), strict=True))
