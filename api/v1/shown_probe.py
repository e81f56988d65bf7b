"""A probe as it is shown: where it stands, what was heard of it and of each of its sensors."""

from __future__ import annotations

from pydantic import Field

from api.v1.placements import PlacementOut
from api.v1.placements import show as show_placement
from api.v1.wire import At, Out
from shared.piles import Placement
from shared.ports import SensorSummary
from shared.probes import Probe
from shared.readings import Quantity
from shared.times import MINUTE, Millis


class SensorOut(Out):
    depth_cm: float | None
    level: str | None = Field(description="where a sensor has a name instead of a depth")
    quantity: Quantity
    readings: int
    first_at: At
    last_at: At
    last_value: float
    left_out: str | None = Field(
        default=None,
        description="why the heat sums leave out the newest reading, in the words of `suspect_reasons`; null: they do "
        "not, or what it takes to tell was not read within two seconds",
    )
    fault: str | None = Field(
        default=None, description="what the pile's report says is wrong with this sensor"
    )


class ProbeOut(Out):
    """``unplaced``: it stands in no pile now, so what it sends belongs to none."""

    id: str
    site: str
    name: str
    unplaced: bool
    placement: PlacementOut | None = Field(description="where it stands now")
    placements: list[PlacementOut]
    first_heard_at: At | None
    last_heard_at: At | None
    interval_minutes: float | None
    interval_fixed: bool
    online: bool | None
    battery_percent: float | None
    battery_volt: float | None
    rssi_dbm: float | None
    readings: int
    repeats: int
    differing_repeats: int
    sensors: list[SensorOut]
    note: str


def show(probe: Probe, placements: list[Placement], sensors: list[SensorSummary], now: Millis) -> ProbeOut:
    """Without any doubt of what its sensors said."""
    standing = next((placement for placement in placements if now in placement.span), None)
    return ProbeOut(
        id=probe.id,
        site=probe.site,
        name=probe.name,
        unplaced=standing is None,
        placement=None if standing is None else show_placement(standing),
        placements=[show_placement(placement) for placement in placements],
        first_heard_at=probe.first_heard_at,
        last_heard_at=probe.last_heard_at,
        interval_minutes=None if probe.interval_ms is None else probe.interval_ms / MINUTE,
        interval_fixed=probe.interval_fixed,
        online=probe.online,
        battery_percent=probe.battery_percent,
        battery_volt=probe.battery_volt,
        rssi_dbm=probe.rssi_dbm,
        readings=sum(summary.count for summary in sensors),
        repeats=probe.repeats,
        differing_repeats=probe.differing_repeats,
        sensors=[_show_sensor(summary) for summary in sensors],
        note=probe.note,
    )


def _show_sensor(summary: SensorSummary) -> SensorOut:
    key = summary.sensor
    return SensorOut(
        depth_cm=key.depth_cm,
        level=key.depth if key.depth and key.depth_cm is None else None,
        quantity=key.quantity,
        readings=summary.count,
        first_at=summary.first_at,
        last_at=summary.last_at,
        last_value=summary.last_value,
    )
