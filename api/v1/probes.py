"""Probes: what is known of each, where it stands, how far it can be trusted."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from pydantic import Field

from api.auth import Manager, Viewer
from api.parts import Parts, PartsHere
from api.problems import unprocessable
from api.v1.probe_trust import with_doubts
from api.v1.shown_probe import ProbeOut, show
from api.v1.wire import (
    PAGE,
    PREFIX,
    At,
    Cursor,
    In,
    Instant,
    Limit,
    Out,
    Page,
    Ref,
    ShortText,
    Words,
    page_of,
)
from shared.ids import new_id
from shared.piles import Placement
from shared.ports import SensorSummary
from shared.probes import Calibration, Probe
from shared.readings import canonical_depth
from shared.times import MINUTE

router = APIRouter(prefix=PREFIX, tags=["probes"])
PATIENCE_S = 2.0  # what was not read by then is judged by its newest value alone


class ProbeChange(In):
    """Only the fields that are sent change. ``interval_minutes`` null lets the program learn it again."""

    note: Words | None = None
    interval_minutes: Annotated[float, Field(gt=0, le=7 * 24 * 60)] | None = None


class CalibrationIn(In):
    """Add ``offset_c`` to every reading of this sensor from ``valid_from`` on; raw values are kept."""

    depth: Ref = Field(description="centimetres, or a level's name")
    offset_c: Annotated[float, Field(ge=-20, le=20)]
    valid_from: Instant
    method: ShortText = ""


class CalibrationOut(Out):
    id: str
    depth: str
    offset_c: float
    valid_from: At
    method: str


@router.get("/probes")
def list_probes(
    parts: PartsHere,
    _: Viewer,
    site: str | None = None,
    unplaced: bool | None = None,
    cursor: Cursor = None,
    limit: Limit = PAGE,
) -> Page[ProbeOut]:
    """By site, name."""
    now = parts.clock.now()
    placements: dict[tuple[str, str], list[Placement]] = {}
    for placement in parts.registry.probes.placements(site=site):
        placements.setdefault((placement.site, placement.probe), []).append(placement)
    sensors: dict[tuple[str, str], list[SensorSummary]] = {}
    for summary in parts.readings.sensors(site):
        sensors.setdefault((summary.sensor.site, summary.sensor.probe), []).append(summary)

    def show_one(probe: Probe) -> ProbeOut:
        which = (probe.site, probe.name)
        return show(probe, placements.get(which, []), sensors.get(which, []), now)

    found = parts.registry.probes.all(site)
    if unplaced is not None:
        standing = {
            which for which, where in placements.items() if any(now in placement.span for placement in where)
        }
        found = [probe for probe in found if ((probe.site, probe.name) not in standing) is unplaced]
    page = page_of(found, show_one, lambda probe: (probe.site, probe.name), cursor, limit)
    return page.model_copy(
        update={"items": with_doubts(parts, page.items, sensors, now, patience_s=PATIENCE_S)}
    )


@router.get("/probes/{probe}")
def get_probe(probe: str, parts: PartsHere, _: Viewer) -> ProbeOut:
    return _whole(parts, parts.registry.probes.get(probe))


@router.patch("/probes/{probe}")
def change_probe(probe: str, asked: ProbeChange, parts: PartsHere, _: Manager) -> ProbeOut:
    fields: dict[str, object] = {}
    if "note" in asked.model_fields_set:
        fields["note"] = asked.note or ""
    if "interval_minutes" in asked.model_fields_set:
        minutes = asked.interval_minutes
        fields["interval_ms"] = None if minutes is None else round(minutes * MINUTE)
        fields["interval_fixed"] = minutes is not None
    held = parts.registry.probes.get(probe)
    return _whole(parts, parts.registry.probes.change(held.id, **fields) if fields else held)


@router.get("/probes/{probe}/calibrations")
def list_calibrations(
    probe: str, parts: PartsHere, _: Viewer, cursor: Cursor = None, limit: Limit = PAGE
) -> Page[CalibrationOut]:
    """By valid_from."""
    held = parts.registry.probes.get(probe)
    found = parts.registry.probes.calibrations(held.site, held.name)
    return page_of(found, _show_calibration, lambda one: (one.valid_from, one.id), cursor, limit)


@router.post("/probes/{probe}/calibrations", status_code=201)
def calibrate(probe: str, asked: CalibrationIn, parts: PartsHere, _: Manager) -> CalibrationOut:
    held = parts.registry.probes.get(probe)
    depth = canonical_depth(asked.depth)
    if not depth:
        raise unprocessable("body.depth", "names no sensor")
    calibration = Calibration(
        id=new_id(parts.clock.now()),
        site=held.site,
        probe=held.name,
        depth=depth,
        offset_c=asked.offset_c,
        valid_from=asked.valid_from,
        method=asked.method,
    )
    parts.registry.probes.calibrate(calibration)
    return _show_calibration(calibration)


def _whole(parts: Parts, probe: Probe) -> ProbeOut:
    placements = parts.registry.probes.placements(site=probe.site, probe=probe.name)
    sensors = parts.readings.sensors(probe.site, probe.name)
    now, which = parts.clock.now(), (probe.site, probe.name)
    shown = show(probe, placements, sensors, now)
    (trusted,) = with_doubts(parts, [shown], {which: sensors}, now, patience_s=PATIENCE_S)
    return trusted


def _show_calibration(calibration: Calibration) -> CalibrationOut:
    return CalibrationOut(
        id=calibration.id,
        depth=calibration.depth,
        offset_c=calibration.offset_c,
        valid_from=calibration.valid_from,
        method=calibration.method,
    )
