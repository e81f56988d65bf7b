"""Readings from a logger's file into a pile, as if a probe had sent them; kept so that an import can be undone."""

from __future__ import annotations

import base64
import zlib
from collections.abc import Callable, Iterator
from itertools import islice
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, ValidationError

from shared.ids import new_id
from shared.import_preview import clash_of, spans_of, usable
from shared.piles import Pile, Placement
from shared.ports import Conflict, NotFound, ReadingsStore, Registry
from shared.probes import Probe
from shared.readings import ArrivalMark, Curve, Reading, SensorKey
from shared.times import Millis, Span

if TYPE_CHECKING:
    from shared.reading_files import ReadingsFile

BATCH = 5_000
IMPORTS = "import."
State = Literal["running", "done", "undone"]
Progress = Callable[[int, int], None]
"""Told how many readings of how many have been stored."""


class ImportRefused(Exception):
    """Nothing was stored; the text says why."""


class Fresh(BaseModel):
    """The readings of one sensor that were not there before: instants, packed."""

    model_config = ConfigDict(frozen=True)

    probe: str
    depth: str
    at: str


class ImportRecord(BaseModel):
    """``fresh`` is written before the first reading is stored, so that an import that was cut off can be undone."""

    model_config = ConfigDict(frozen=True)

    id: str
    pile: str
    site: str
    file: str
    sha256: str
    at: Millis
    by: str
    state: State = "running"
    total: int
    done: int = 0
    stored: int = 0
    known: int = 0
    refused: int = 0
    faults: int = 0
    probes: tuple[str, ...] = ()
    placed: tuple[str, ...] = ()  # ids of the placements that it made
    placed_probes: tuple[str, ...] = ()
    fresh: tuple[Fresh, ...] = ()


def start_import(
    registry: Registry,
    store: ReadingsStore,
    read: ReadingsFile,
    pile: Pile,
    *,
    name: str,
    by: str,
    now: Millis,
) -> ImportRecord:
    """Place the probes and write down what is about to come. ImportRefused when a probe stood elsewhere then."""
    curves = {sensor: usable(curve, now) for sensor, curve in read.curves.items()}
    fresh = []
    for sensor, curve in curves.items():
        if len(curve):
            held = store.read(sensor, Span(Millis(int(curve.at[0])), Millis(int(curve.at[-1]) + 1)))
            fresh.append(
                Fresh(probe=sensor.probe, depth=sensor.depth, at=_packed(np.setdiff1d(curve.at, held.at)))
            )
    total, faults = sum(len(curve) for curve in curves.values()), sum(read.faults.values())
    with registry.begin() as tx:
        clash = clash_of(tx, curves, pile)
        if clash:
            raise ImportRefused(clash)
        placed = list(_place(tx, curves, pile, read, now))
        record = ImportRecord(
            id=new_id(now), pile=pile.id, site=pile.site, file=name[:200], sha256=read.sha256, at=now, by=by,
            total=total, known=read.repeats, faults=faults,
            refused=sum(len(curve) for curve in read.curves.values()) - faults - total,
            probes=tuple(sorted({sensor.probe for sensor in curves})),
            placed=tuple(one.id for one in placed), placed_probes=tuple(one.probe for one in placed),
            fresh=tuple(fresh),
        )  # fmt: skip
        _keep(tx, record)
    return record


def run_import(
    registry: Registry,
    store: ReadingsStore,
    read: ReadingsFile,
    record: ImportRecord,
    progress: Progress | None = None,
) -> ImportRecord:
    """Store what is not there yet; may be called again after it was cut off. StorageError passes through."""
    readings = _readings(read, record.at)
    done = stored = 0
    while batch := list(islice(readings, BATCH)):
        stored += store.append(batch).stored
        done += len(batch)
        if progress is not None:
            progress(done, record.total)
        record = record.model_copy(update={"done": done, "stored": stored})
        _keep(registry, record)
    known = record.known + done - stored
    record = record.model_copy(update={"state": "done", "done": done, "stored": stored, "known": known})
    _keep(registry, record)
    return record


def undo_import(registry: Registry, store: ReadingsStore, record: ImportRecord) -> int:
    """Take back the readings and placements that it brought, and nothing that was there before; gives how many readings."""
    readings = (
        (SensorKey(record.site, one.probe, one.depth), Millis(at))
        for one in record.fresh
        for at in _unpacked(one.at).tolist()
    )
    taken = 0
    while batch := list(islice(readings, BATCH)):
        taken += store.withdraw(batch)
    with registry.begin() as tx:
        for placement in record.placed:
            try:
                tx.probes.delete_placement(placement)
            except NotFound:
                continue  # a person took it away before
        _keep(tx, record.model_copy(update={"state": "undone", "fresh": (), "placed": ()}))
    return taken


def imports_of(registry: Registry, pile_id: str | None = None) -> list[ImportRecord]:
    """Newest first."""
    found = [
        record for text in registry.memory.names(IMPORTS).values() if (record := _record(text)) is not None
    ]
    return sorted(
        (one for one in found if pile_id in {None, one.pile}), key=lambda one: (one.at, one.id), reverse=True
    )


def find_import(registry: Registry, import_id: str) -> ImportRecord:
    record = _record(registry.memory.get(IMPORTS + import_id) or "")
    if record is None:
        raise NotFound(f"there is no import {import_id}")
    return record


def _record(text: str) -> ImportRecord | None:
    try:
        return ImportRecord.model_validate_json(text)
    except ValidationError:
        return None


def _keep(registry: Registry, record: ImportRecord) -> None:
    registry.memory.set(IMPORTS + record.id, record.model_dump_json())


def _place(
    tx: Registry, curves: dict[SensorKey, Curve], pile: Pile, read: ReadingsFile, now: Millis
) -> Iterator[Placement]:
    """Each probe for the time it covers, unless it stands in this pile then already."""
    for probe, span in spans_of(curves).items():
        there = tx.probes.placements(site=pile.site, probe=probe)
        if any(held.pile_id == pile.id and held.span.overlaps(span) for held in there):
            continue
        if tx.probes.named(pile.site, probe) is None:
            tx.probes.add(Probe(id=new_id(now), site=pile.site, name=probe))
        placement = Placement(new_id(now), pile.site, probe, pile.id, span, f"from {read.sha256[:8]}")
        try:
            tx.probes.place(placement)
        except Conflict as error:
            raise ImportRefused(f"probe {probe} stood elsewhere at that time: {error}") from error
        yield placement


def _readings(read: ReadingsFile, now: Millis) -> Iterator[Reading]:
    for sensor, curve in read.curves.items():
        good = usable(curve, now)
        for at, value, mark in zip(good.at.tolist(), good.value.tolist(), good.mark.tolist(), strict=True):
            yield Reading(sensor, Millis(at), value, now, ArrivalMark(mark) | ArrivalMark.IMPORTED)


def _packed(at: NDArray[np.int64]) -> str:
    steps = np.diff(at, prepend=0).astype("<i8")
    return base64.b64encode(zlib.compress(steps.tobytes(), 9)).decode()


def _unpacked(text: str) -> NDArray[np.int64]:
    steps = np.frombuffer(zlib.decompress(base64.b64decode(text)), dtype="<i8")
    return np.cumsum(steps).astype(np.int64)
