"""One engine a pile, fed with what the stores say has changed."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from threading import RLock

from shared.changed_piles import ChangedPiles
from shared.heat.engine import PileHeat
from shared.heat_entry import Entry
from shared.heat_facts import FactsShelf
from shared.ports import ReadingsStore, Registry, SensorSummary
from shared.readings import SensorKey
from shared.times import Millis, Span

TOGETHER = 16
"""Piles whose readings are fetched in one question at most, and so many readings: the next pile waits for the next."""
ROWS_TOGETHER = 200_000
FINISHED_AT_HAND = TOGETHER
"""So many engines of finished piles stay in memory after use; those of open ones all do."""


class HeatEngines:
    """``lock`` guards what is known of all; each entry has a lock of its own, for its engine. A StorageError passes."""

    def __init__(
        self,
        readings: ReadingsStore,
        registry: Registry,
        max_gap_ms: int,
        reported: Callable[[], set[str]],
    ) -> None:
        """``reported``: the piles without an engine whose reports stand all the same until something changes."""
        self._readings, self._max_gap_ms, self._reported = readings, max_gap_ms, reported
        self.lock = RLock()
        self.changed = ChangedPiles()
        self._shelf = FactsShelf(registry)
        self._entries: dict[str, Entry] = {}
        # those among the entries, the least used first
        self._finished: OrderedDict[str, None] = OrderedDict()
        self._cursor: int | None = None

    def poll(self, consumer: str) -> set[str]:
        """Piles whose readings or facts changed since this consumer asked last; the first time, all open ones."""
        with self.lock:
            self.catch_up()
            changed = self.changed.since_asked_by(consumer)
            return self._shelf.open_ids() if changed is None else changed

    def entry(self, pile_id: str, sensors: Sequence[SensorSummary] | None = None) -> Entry:
        """Within the lock, caught up; ``sensors`` = all that the store knows of its sites at this moment, if it was asked."""
        entry = self._entries.get(pile_id)
        if entry is None:
            facts = self._shelf.facts(pile_id)
            probes = sorted({(placed.site, placed.probe) for placed in facts.placements})
            if sensors is None:
                sensors = [one for site, probe in probes for one in self._readings.sensors(site, probe)]
            mine = [
                one.sensor
                for one in sensors
                if (one.sensor.site, one.sensor.probe) in probes and one.sensor.quantity == "temperature"
            ]
            entry = Entry(PileHeat(facts, self._max_gap_ms), dict.fromkeys(mine, facts.pile.built_at))
            self._entries[pile_id] = entry
        if entry.heat.facts.pile.finished_at is not None:
            self._finished[pile_id] = None
            self._finished.move_to_end(pile_id)
            while len(self._finished) > FINISHED_AT_HAND:
                self._drop(next(iter(self._finished)))
        return entry

    def catch_up(self) -> None:
        """Learn what changed: facts first, so that a reading finds the placement that makes it a pile's."""
        for pile_id in self._shelf.renew():
            self.changed.mark(pile_id)
            self._drop(pile_id)
        changes = self._readings.changes_since(self._cursor or 0)
        if self._cursor is not None and not changes.complete:
            for pile_id in self._shelf.open_ids() | set(self._entries) | self._reported():
                self.changed.mark(pile_id)
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
            self.changed.mark(pile_id)
            entry = self._entries.get(pile_id)
            if entry is not None:
                entry.mark(sensor, max(earliest, entry.heat.facts.pile.built_at))

    def _drop(self, pile_id: str) -> None:
        self._entries.pop(pile_id, None)
        self._finished.pop(pile_id, None)

    def fetch(self, pile_ids: Sequence[str], until: Mapping[str, Millis]) -> int:
        """Bring the engines of the first few of these piles up to date with one question to the store; gives how many."""
        with self.lock:
            self.catch_up()
            fresh = [pile_id for pile_id in pile_ids if pile_id not in self._entries]
            sensors = self._sensors_near(fresh) if len(fresh) > 1 else None
            rows = {} if sensors is None else {one.sensor: one.count for one in sensors}
            entries: dict[str, Entry] = {}
            room = ROWS_TOGETHER
            for pile_id in pile_ids:
                entries[pile_id] = self.entry(pile_id, sensors)
                room -= sum(rows.get(sensor, 0) for sensor in entries[pile_id].stale)
                if room <= 0:
                    break
        with ExitStack() as stack:
            for pile_id in sorted(entries):  # in one order, as everyone who takes several does
                stack.enter_context(entries[pile_id].lock)
            self.feed(list(entries.values()), Millis(max(until[pile_id] for pile_id in entries)))
        return len(entries)

    def _sensors_near(self, pile_ids: Sequence[str]) -> list[SensorSummary]:
        """All that the store knows of the sites whose probes stand in these piles."""
        sites = {
            placement.site for pile_id in pile_ids for placement in self._shelf.facts(pile_id).placements
        }
        return [sensor for site in sorted(sites) for sensor in self._readings.sensors(site)]

    def feed(self, entries: Sequence[Entry], now: Millis | None) -> None:
        """Read anew what changed, up to ``now``; what is later waits for its time, what failed for the next try.

        The caller holds the lock of each entry.
        """
        with self.lock:
            stale = [(entry, sensor, since) for entry in entries for sensor, since in entry.take(now)]
        if not stale:
            return
        try:
            span = Span(min(since for _, _, since in stale))
            curves = self._readings.read_many({sensor for _, sensor, _ in stale}, span)
            while stale:
                entry, sensor, since = stale[-1]
                later = entry.hold(sensor, since, curves[sensor], now)
                stale.pop()
                if later is not None:
                    with self.lock:
                        entry.mark(sensor, later)
        finally:
            with self.lock:
                for entry, sensor, since in stale:
                    entry.mark(sensor, since)
