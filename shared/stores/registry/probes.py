"""Probes, where they are, and their calibrations."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, select, update

from shared.ids import new_id
from shared.piles import Placement
from shared.ports import Conflict, StorageError
from shared.probes import Calibration, Probe
from shared.stores.registry import placements
from shared.stores.registry import tables as t
from shared.stores.registry.rows import Shape, insert_unless_there
from shared.stores.registry.work import Work
from shared.times import Millis

PROBE = Shape(Probe, t.probes, "probe")
CALIBRATION = Shape(Calibration, t.calibrations, "calibration")

_ADDED = ("repeats", "differing_repeats")
_NOT_A_FIGURE = {"id", "site", "name", "first_heard_at", "last_heard_at"}


class SqlProbes:
    def __init__(self, work: Work) -> None:
        self._work = work

    def add(self, probe: Probe) -> None:
        with self._work.write(f"adding probe {probe.site}/{probe.name}") as connection:
            PROBE.insert(connection, probe)

    def heard(self, site: str, name: str, at: Millis, figures: Mapping[str, Any]) -> Probe:
        for figure in figures:
            if figure in _NOT_A_FIGURE or figure not in PROBE.fields:
                raise StorageError(f"a probe has no figure {figure}")
        with self._work.write(f"noting probe {site}/{name}") as connection:
            probe = _locked(connection, site, name)
            if probe is None:
                new = Probe(id=new_id(at), site=site, name=name, first_heard_at=at, last_heard_at=at)
                insert_unless_there(connection, t.probes, PROBE.row(new), ("site", "name"))
                probe = _locked(connection, site, name) or new
            changes = {
                key: getattr(probe, key) + value if key in _ADDED else value for key, value in figures.items()
            }
            changes["first_heard_at"] = _least(probe.first_heard_at, at)
            changes["last_heard_at"] = max(probe.last_heard_at or at, at)
            connection.execute(update(t.probes).where(t.probes.c.id == probe.id).values(changes))
            return PROBE.changed(probe, changes)

    def get(self, probe_id: str) -> Probe:
        with self._work.read("reading a probe") as connection:
            return PROBE.get(connection, probe_id)

    def named(self, site: str, name: str) -> Probe | None:
        with self._work.read("reading a probe") as connection:
            return PROBE.find(connection, t.probes.c.site == site, t.probes.c.name == name)

    def named_many(self, names: Iterable[tuple[str, str]]) -> dict[tuple[str, str], Probe]:
        asked: dict[str, list[str]] = {}
        for site, name in names:
            asked.setdefault(site, []).append(name)
        found: dict[tuple[str, str], Probe] = {}
        with self._work.read("reading probes") as connection:
            for site, some in asked.items():
                by_name = PROBE.of_many(connection, "name", some, t.probes.c.site == site, order=["name"])
                found |= {(site, name): probe for name, probes in by_name.items() for probe in probes}
        return found

    def all(self, site: str | None = None) -> list[Probe]:
        query = PROBE.query(order=["site", "name"])
        if site is not None:
            query = query.where(t.probes.c.site == site)
        with self._work.read("reading probes") as connection:
            return PROBE.listed(connection, query)

    def change(self, probe_id: str, **fields: Any) -> Probe:
        if {"site", "name"} & fields.keys():
            raise Conflict("a probe keeps its site and name: its readings stand under them")
        with self._work.write("changing a probe") as connection:
            return PROBE.change(connection, probe_id, fields)

    def place(self, placement: Placement) -> None:
        with self._work.write(f"placing probe {placement.probe}", facts=True) as connection:
            placements.put(connection, placement)

    def change_placement(self, placement_id: str, **fields: Any) -> Placement:
        with self._work.write("changing a placement", facts=True) as connection:
            return placements.change(connection, placement_id, fields)

    def placement(self, placement_id: str) -> Placement:
        with self._work.read("reading a placement") as connection:
            return placements.get(connection, placement_id)

    def delete_placement(self, placement_id: str) -> None:
        with self._work.write("deleting a placement", facts=True) as connection:
            placements.delete(connection, placement_id)

    def placements(
        self, *, pile_id: str | None = None, site: str | None = None, probe: str | None = None
    ) -> list[Placement]:
        p = t.placements.c
        query = select(t.placements).order_by(p.start_at, p.id)
        for column, wanted in ((p.pile_id, pile_id), (p.site, site), (p.probe, probe)):
            if wanted is not None:
                query = query.where(column == wanted)
        with self._work.read("reading placements") as connection:
            return [placements.placement_of(row) for row in connection.execute(query).mappings()]

    def calibrate(self, calibration: Calibration) -> None:
        with self._work.write(f"calibrating probe {calibration.probe}", facts=True) as connection:
            CALIBRATION.insert(connection, calibration)

    def calibrations(self, site: str | None = None, probe: str | None = None) -> list[Calibration]:
        c = t.calibrations.c
        wanted = [column == one for column, one in ((c.site, site), (c.probe, probe)) if one is not None]
        query = CALIBRATION.query(*wanted, order=["valid_from", "id"])
        with self._work.read("reading calibrations") as connection:
            return CALIBRATION.listed(connection, query)


def _locked(connection: Connection, site: str, name: str) -> Probe | None:
    """Nobody else changes it until the transaction ends."""
    p = t.probes.c
    row = (
        connection.execute(select(t.probes).where(p.site == site, p.name == name).with_for_update())
        .mappings()
        .first()
    )
    return None if row is None else PROBE.thing(row)


def _least(before: Millis | None, at: Millis) -> Millis:
    return at if before is None else min(before, at)
