"""Probes: those that stand nowhere first; place, move, calibrate."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Query
from fastapi.responses import RedirectResponse, Response

from api.auth import Manager, Viewer
from api.pages.forms import Text, instant_text, number, read
from api.pages.view import AnyView
from api.v1 import placements, probes
from api.v1.probe_trust import with_doubts
from api.v1.shown_probe import show
from shared.piles import Placement
from shared.ports import SensorSummary
from shared.units import celsius

router = APIRouter(include_in_schema=False)
PATIENCE_S = 0.15  # a page comes soon; the API takes its time


@router.get("/probes")
def probes_page(view: AnyView, _: Viewer, pile: Annotated[str, Query()] = "") -> Response:
    registry = view.parts.registry
    by_probe: dict[tuple[str, str], list[Placement]] = {}
    for placement in registry.probes.placements():
        by_probe.setdefault((placement.site, placement.probe), []).append(placement)
    sensors: dict[tuple[str, str], list[SensorSummary]] = {}
    for summary in view.parts.readings.sensors():
        sensors.setdefault((summary.sensor.site, summary.sensor.probe), []).append(summary)
    shown = [
        show(
            probe,
            by_probe.get((probe.site, probe.name), []),
            sensors.get((probe.site, probe.name), []),
            view.now,
        )
        for probe in registry.probes.all()
    ]
    found = with_doubts(view.parts, shown, sensors, view.now, patience_s=PATIENCE_S)
    return view.page(
        "probes.html",
        unplaced=[probe for probe in found if probe.unplaced],
        placed=[probe for probe in found if not probe.unplaced],
        piles={one.id: one for one in registry.piles.all()},
        open_piles=registry.piles.all(open_only=True),
        zones={site.slug: site.zone for site in registry.sites.all()},
        chosen=pile,
    )


@router.post("/probes/place")
def place(
    view: AnyView,
    caller: Manager,
    probe: Text,
    pile: Text,
    start: Text = "",
    position: Text = "",
    zone: Text = "core",
) -> RedirectResponse:
    """Put a probe into a pile from any past instant; where it stood until then ends there."""
    registry = view.parts.registry
    held = registry.piles.get(pile)
    site = registry.sites.get(held.site)
    asked = read(
        placements.PlacementIn,
        probe=probe.strip(),
        pile=pile,
        **{"from": instant_text(start, site.zone, view.now)},
        position=position,
        zone=zone,
    )
    standing = [
        one
        for one in registry.probes.placements(site=held.site, probe=asked.probe)
        if one.span.end is None and one.span.start < asked.from_
    ]
    ended = read(placements.PlacementChange, to=instant_text(start, site.zone, view.now))
    with registry.begin():
        for one in standing:
            placements.change_placement(one.id, ended, view.parts, caller)
        placements.add_placement(asked, view.parts, caller)
    return view.back(
        f"/piles/{held.id}", f"{asked.probe} stands in {held.peg}; its readings from then on belong to it."
    )


@router.post("/probes/place-several")
def place_several(
    view: AnyView,
    caller: Manager,
    pile: Text,
    start: Text = "",
    zone: Text = "core",
    probe: Annotated[list[str] | None, Form()] = None,
) -> RedirectResponse:
    """Put probes that stand nowhere into a pile, all of them or none; each one's name says where it is."""
    registry = view.parts.registry
    held = registry.piles.get(pile)
    if not probe:
        return view.back("/probes", "No probe was chosen.")
    at = instant_text(start, registry.sites.get(held.site).zone, view.now)
    with registry.begin():
        for name in dict.fromkeys(probe):
            asked = read(
                placements.PlacementIn, probe=name, pile=pile, **{"from": at}, position="", zone=zone
            )
            placements.add_placement(asked, view.parts, caller)
    return view.back(f"/piles/{held.id}", f"{len(set(probe))} probes stand in {held.peg}.")


@router.post("/placements/{placement_id}")
def correct(
    placement_id: str,
    view: AnyView,
    caller: Manager,
    start: Text = "",
    end: Text = "",
    position: Text = "",
    zone: Text = "core",
) -> RedirectResponse:
    """A placement as it was in truth. Where the probe was moved here from another pile, that one ends as this begins."""
    registry = view.parts.registry
    held = registry.probes.placement(placement_id)
    local = registry.sites.get(held.site).zone
    fields: dict[str, object] = {"position": position, "zone": zone}
    if start:
        fields["from"] = instant_text(start, local, view.now)
    fields["to"] = instant_text(end, local, view.now) if end else None
    placements.change_placement(placement_id, read(placements.PlacementChange, **fields), view.parts, caller)
    return view.back("/probes", f"{held.probe}: corrected; the sums follow.")


@router.post("/probes/{probe_id}/calibrate")
def calibrate(
    probe_id: str,
    view: AnyView,
    caller: Manager,
    depth: Text,
    offset: Text,
    start: Text = "",
    method: Text = "",
) -> RedirectResponse:
    held = view.parts.registry.probes.get(probe_id)
    local = view.parts.registry.sites.get(held.site).zone
    shift = number(offset, "offset")
    if shift is not None and view.units == "fahrenheit":
        shift = celsius(shift + 32.0)
    asked = read(
        probes.CalibrationIn,
        depth=depth,
        offset_c=shift,
        valid_from=instant_text(start, local, view.now),
        method=method,
    )
    probes.calibrate(probe_id, asked, view.parts, caller)
    return view.back(
        f"/probes#p-{held.name}", f"{held.name}: calibrated from then on; the raw readings are kept."
    )
