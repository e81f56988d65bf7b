"""The heat of every pile, kept at hand: one engine a pile, fed with what the store says has changed."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field
from threading import Lock, RLock

import numpy as np
from numpy.typing import NDArray

from shared.heat.catalogue import Catalogue, UnknownId
from shared.heat.compose import heat_report, report_of
from shared.heat.engine import PileHeat
from shared.heat.facts import PileFacts
from shared.heat.guide import Guide
from shared.heat.report import HeatReport
from shared.heat.rule_data import Rule
from shared.heat_facts import FactsShelf
from shared.piles import FieldNote, Pile, Placement, Turn
from shared.ports import ReadingsStore, Registry
from shared.readings import Curve, SensorKey
from shared.times import Millis, Span

FINISHED_AT_HAND = 8
"""So many finished piles stay in memory after use; open ones all do."""


@dataclass(frozen=True, slots=True, eq=False)
class SensorHistory:
    """One sensor in one placement: instants, calibrated °C, and a ``screening.Reason`` code for each reading."""

    key: SensorKey
    placement: Placement
    at: NDArray[np.int64]
    celsius: NDArray[np.float64]
    reason: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class PileHistory:
    """What a heat curve is drawn from."""

    pile: Pile
    sensors: tuple[SensorHistory, ...]
    turns: tuple[Turn, ...]
    notes: tuple[FieldNote, ...]


@dataclass(slots=True)
class _Entry:
    """An engine (``lock`` is its), and from which instant on each sensor has to be read again (the book's lock)."""

    heat: PileHeat
    stale: dict[SensorKey, Millis]
    lock: Lock = field(default_factory=Lock)

    def mark(self, sensor: SensorKey, since: Millis) -> None:
        self.stale[sensor] = Millis(min(since, self.stale.get(sensor, since)))


class HeatBook:
    """Safe for several threads. Reads what changed in the stores at every question; a StorageError passes through."""

    def __init__(
        self, readings: ReadingsStore, registry: Registry, catalogue: Catalogue, max_gap_ms: int
    ) -> None:
        self._readings, self._registry, self._catalogue = readings, registry, catalogue
        self._max_gap_ms = max_gap_ms
        self._lock = RLock()
        self._shelf = FactsShelf(registry)
        self._entries: dict[str, _Entry] = {}
        self._finished: OrderedDict[str, None] = (
            OrderedDict()
        )  # those among the entries, the least used first
        self._cursor: int | None = None
        self._step = 0  # grows with every change that is found
        self._changed: dict[str, int] = {}  # pile -> the step at which it changed last
        self._polled: dict[str, int] = {}

    def report(self, pile_id: str, now: Millis) -> HeatReport:
        """All that is known of the pile at ``now``; an instant long past is worked out afresh. NotFound: no such pile."""
        entry = self._entry(pile_id)
        guide, rules = self._asked_of(entry.heat.facts.pile)
        with entry.lock:
            self._feed(entry, now)
            newest = entry.heat.newest_at()
            if newest is not None and newest > now:
                curves, heat = entry.heat.curves(), entry.heat
                return heat_report(heat.facts, curves, now, guide, rules, heat.max_gap_ms)
            return report_of(entry.heat, now, guide, rules)

    def history(self, pile_id: str) -> PileHistory:
        entry = self._entry(pile_id)
        with entry.lock:
            self._feed(entry, None)
            heat = entry.heat
            heat.refresh()
            sensors = tuple(
                SensorHistory(key, placement, at, celsius, reason)
                for stand in heat.stands
                for key, placement, at, celsius, reason in stand.history()
            )
            return PileHistory(heat.facts.pile, sensors, heat.facts.turns, heat.facts.notes)

    def poll(self, consumer: str) -> set[str]:
        """Piles whose readings or facts changed since this consumer asked last; the first time, all open ones."""
        with self._lock:
            self._catch_up()
            seen = self._polled.get(consumer)
            self._polled[consumer] = self._step
            if seen is None:
                return self._shelf.open_ids()
            return {pile_id for pile_id, step in self._changed.items() if step > seen}

    def _entry(self, pile_id: str) -> _Entry:
        with self._lock:
            self._catch_up()
            entry = self._entries.get(pile_id)
            if entry is None:
                facts = self._shelf.facts(pile_id)
                entry = _Entry(PileHeat(facts, self._max_gap_ms), self._sensors_of(facts))
                self._entries[pile_id] = entry
            if entry.heat.facts.pile.finished_at is not None:
                self._finished[pile_id] = None
                self._finished.move_to_end(pile_id)
                while len(self._finished) > FINISHED_AT_HAND:
                    self._drop(next(iter(self._finished)))
            return entry

    def _sensors_of(self, facts: PileFacts) -> dict[SensorKey, Millis]:
        probes = {(placed.site, placed.probe) for placed in facts.placements}
        return {
            found.sensor: facts.pile.built_at
            for site, probe in sorted(probes)
            for found in self._readings.sensors(site, probe)
            if found.sensor.quantity == "temperature"
        }

    def _catch_up(self) -> None:
        """Learn what changed: facts first, so that a reading finds the placement that makes it a pile's."""
        for pile_id in self._shelf.renew():
            self._mark(pile_id)
            self._drop(pile_id)
        changes = self._readings.changes_since(self._cursor or 0)
        if self._cursor is not None and not changes.complete:
            for pile_id in self._shelf.open_ids() | set(self._entries):
                self._mark(pile_id)
            self._entries.clear()
            self._finished.clear()
        elif self._cursor is not None or self._entries:
            for sensor, earliest in changes.earliest.items():
                self._note_change(sensor, earliest)
        self._cursor = changes.cursor

    def _note_change(self, sensor: SensorKey, earliest: Millis) -> None:
        if sensor.quantity != "temperature":
            return
        for pile_id in self._shelf.piles_of(sensor, earliest):
            self._mark(pile_id)
            entry = self._entries.get(pile_id)
            if entry is not None:
                entry.mark(sensor, earliest)

    def _drop(self, pile_id: str) -> None:
        self._entries.pop(pile_id, None)
        self._finished.pop(pile_id, None)

    def _mark(self, pile_id: str) -> None:
        self._step += 1
        self._changed[pile_id] = self._step

    def _feed(self, entry: _Entry, now: Millis | None) -> None:
        """Read anew what changed, up to ``now``; what is later waits for its time, what failed for the next try."""
        with self._lock:
            stale = {sensor: since for sensor, since in entry.stale.items() if now is None or since <= now}
            for sensor in stale:
                del entry.stale[sensor]
        try:
            for sensor, since in list(stale.items()):
                curve = self._readings.read(sensor, Span(since))
                end = len(curve) if now is None else int(curve.at.searchsorted(now, "right"))
                entry.heat.hold(sensor, since, Curve(curve.at[:end], curve.value[:end], curve.mark[:end]))
                del stale[sensor]
                if end < len(curve):
                    stale[sensor] = Millis(int(curve.at[end]))
        finally:
            with self._lock:
                for sensor, since in stale.items():
                    entry.mark(sensor, since)

    def _asked_of(self, pile: Pile) -> tuple[Guide, list[Rule]]:
        """The pile's guide and rules; one that is no longer in the catalogue is passed over."""
        try:
            guide = self._catalogue.guide(pile.guide_id)
        except UnknownId:
            guide = self._catalogue.default_guide
        return guide, [self._catalogue.rules[id_] for id_ in pile.rule_ids if id_ in self._catalogue.rules]
