"""The facts of all piles as the registry has them, read again only when something was written."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from shared.heat.facts import LeftOut, PileFacts
from shared.piles import FieldNote, Pile, Placement
from shared.ports import Registry
from shared.probes import Calibration
from shared.readings import SensorKey
from shared.times import Millis, Span

LEAVE_OUT, TAKE_IN = "leave_out", "take_in"
"""Figures of a remark by which a person tells the coldest not to ask a dead sensor (the remark's text is the reason),
or to ask it again: ``{"leave_out": {"probe": "P-03", "depth": "45"}}``; depth "" or none = the whole probe."""


class FactsShelf:
    def __init__(self, registry: Registry) -> None:
        self._registry = registry
        self._version: int | None = None
        self._piles: dict[str, Pile] = {}
        self._placements: dict[str, list[Placement]] = {}
        self._stays: dict[tuple[str, str], list[Placement]] = {}
        self._calibrations: dict[tuple[str, str], list[Calibration]] = {}
        self._facts: dict[str, PileFacts] = {}

    def renew(self) -> set[str]:
        """Read anew if the registry was written to; gives the piles whose facts became others."""
        version = self._registry.version()
        if version == self._version:
            return set()
        first = self._version is None
        before = self._facts
        self._piles = {pile.id: pile for pile in self._registry.piles.all()}
        self._placements, self._stays, self._calibrations = {}, {}, {}
        for placement in self._registry.probes.placements():
            self._placements.setdefault(placement.pile_id, []).append(placement)
            self._stays.setdefault((placement.site, placement.probe), []).append(placement)
        for calibration in self._registry.probes.calibrations():
            self._calibrations.setdefault((calibration.site, calibration.probe), []).append(calibration)
        self._facts = self._read(
            [pile for id_, pile in self._piles.items() if pile.finished_at is None or id_ in before]
        )
        self._version = version
        if first:
            return set()
        return {id_ for id_ in self._facts.keys() | before.keys() if self._facts.get(id_) != before.get(id_)}

    def open_ids(self) -> set[str]:
        return {id_ for id_, pile in self._piles.items() if pile.finished_at is None}

    def facts(self, pile_id: str) -> PileFacts:
        """NotFound: no such pile."""
        if pile_id not in self._facts:
            pile = self._piles.get(pile_id) or self._registry.piles.get(pile_id)
            self._facts |= self._read([pile])
        return self._facts[pile_id]

    def piles_of(self, sensor: SensorKey, since: Millis) -> set[str]:
        """The piles in which the sensor's probe stood at ``since`` or later."""
        return {
            stay.pile_id
            for stay in self._stays.get((sensor.site, sensor.probe), [])
            if stay.span.end is None or stay.span.end > since
        }

    def _read(self, piles: Sequence[Pile]) -> dict[str, PileFacts]:
        ids = [pile.id for pile in piles]
        turns, notes = self._registry.piles.turns_of(ids), self._registry.piles.notes_of(ids)
        found: dict[str, PileFacts] = {}
        for pile in piles:
            placements = self._placements.get(pile.id, [])
            probes = sorted({(placed.site, placed.probe) for placed in placements})
            found[pile.id] = PileFacts(
                pile=pile,
                placements=tuple(placements),
                turns=tuple(turns[pile.id]),
                notes=tuple(notes[pile.id]),
                calibrations=tuple(one for probe in probes for one in self._calibrations.get(probe, ())),
                left_out=left_out_by(notes[pile.id]),
            )
        return found


def left_out_by(notes: Iterable[FieldNote]) -> tuple[LeftOut, ...]:
    """What remarks say of sensors to leave out, each from its remark to the next that takes the sensor in again."""
    found: list[LeftOut] = []
    since: dict[tuple[str, str], FieldNote] = {}
    for note in sorted(notes, key=lambda note: note.at):
        if out := _sensor(note, LEAVE_OUT):
            since.setdefault(out, note)
        back = _sensor(note, TAKE_IN)
        if back and back in since:
            begun = since.pop(back)
            found.append(LeftOut(*back, begun.text, Span(begun.at, note.at)))
    return (*found, *(LeftOut(*sensor, note.text, Span(note.at)) for sensor, note in since.items()))


def _sensor(note: FieldNote, key: str) -> tuple[str, str] | None:
    told = note.figures.get(key)
    if note.kind != "remark" or not isinstance(told, dict) or not told.get("probe"):
        return None
    return str(told["probe"]), str(told.get("depth") or "")
