"""Battery and signal of a probe as curves."""

from __future__ import annotations

from typing import Final

import numpy as np
from fastapi import APIRouter
from pydantic import Field

from api.auth import Viewer
from api.parts import Parts, PartsHere
from api.readings_csv import iso_texts
from api.thinning import thin
from api.v1.readings import From, Points, To
from api.v1.wire import PREFIX, Out
from shared.probes import Probe
from shared.readings import ArrivalMark, Curve, Quantity, SensorKey
from shared.times import Millis, Span

router = APIRouter(prefix=PREFIX, tags=["probes"])

VITALS: Final[tuple[Quantity, ...]] = ("battery_percent", "battery_volt", "rssi")


class VitalCurve(Out):
    """Two arrays of one length, ascending in time. What is outside the sensor's range is left out."""

    quantity: Quantity
    total: int = Field(description="readings in that time, before any were thinned out")
    at: list[str]
    value: list[float] = Field(description="percent, volts or dBm")


class VitalsOut(Out):
    probe: str
    curves: list[VitalCurve] = Field(description="of those figures that the probe has told")


@router.get("/probes/{probe}/vitals")
def get_vitals(
    probe: str, parts: PartsHere, _: Viewer, from_: From = None, to: To = None, points: Points = None
) -> VitalsOut:
    held = parts.registry.probes.get(probe)
    found = vitals_of(parts, held, Span(Millis(0) if from_ is None else from_, to))
    return VitalsOut(probe=held.name, curves=[_show(name, curve, points) for name, curve in found.items()])


def vitals_of(parts: Parts, probe: Probe, span: Span) -> dict[Quantity, Curve]:
    """Good readings only, and only of what the probe has told."""
    keys = {SensorKey(probe.site, probe.name, "", quantity): quantity for quantity in VITALS}
    found: dict[Quantity, Curve] = {}
    for key, curve in parts.readings.read_many(keys, span).items():
        good = (curve.mark & (ArrivalMark.OUT_OF_RANGE | ArrivalMark.STALE)) == 0
        if good.any():
            found[keys[key]] = Curve(curve.at[good], curve.value[good], curve.mark[good])
    return found


def _show(quantity: Quantity, curve: Curve, points: int | None) -> VitalCurve:
    none_bad = np.zeros(len(curve.at), dtype=bool)
    kept = slice(None) if points is None else thin(curve.at, curve.value, none_bad, points)
    return VitalCurve(
        quantity=quantity,
        total=len(curve.at),
        at=iso_texts(curve.at[kept]),
        value=curve.value[kept].round(6).tolist(),
    )
