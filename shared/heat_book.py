"""The heat of every pile, kept at hand: one engine a pile, fed with what the store says has changed."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import ExitStack
from threading import RLock

from shared.changed_piles import ChangedPiles
from shared.heat.catalogue import Catalogue
from shared.heat.compose import heat_report, report_of
from shared.heat.curve import SensorLine
from shared.heat.engine import PileHeat
from shared.heat.report import HeatReport
from shared.heat_entry import Entry, PileHistory, SensorHistory
from shared.heat_facts import FactsShelf
from shared.kept_reports import Kept, KeptReports
from shared.piles import Pile
from shared.ports import ReadingsStore, Registry, SensorSummary
from shared.put_away import PutAway, as_put_away, facts_digest, put_away_of, thinned_batch
from shared.readings import SensorKey
from shared.times import Millis, Span

__all__ = ["FINISHED_AT_HAND", "HeatBook", "PileHistory", "SensorHistory"]

TOGETHER = 16
"""Piles whose readings are fetched in one question at most, and so many readings: the next pile waits for the next."""
ROWS_TOGETHER = 200_000
AT_LEAST = 4
"""So many piles are worked out whatever the patience: whoever logs something sees it in the next answer."""
FINISHED_AT_HAND = TOGETHER
"""So many engines of finished piles stay in memory after use; those of open ones all do."""


class HeatBook:
    """Safe for several threads. Reads what changed in the stores at every question; a StorageError passes through."""

    def __init__(
        self, readings: ReadingsStore, registry: Registry, catalogue: Catalogue, max_gap_ms: int
    ) -> None:
        self._readings, self._registry, self._catalogue = readings, registry, catalogue
        self._max_gap_ms = max_gap_ms
        self._lock = RLock()
        self._shelf = FactsShelf(registry)
        self._entries: dict[str, Entry] = {}
        self._finished: OrderedDict[str, None] = (
            OrderedDict()
        )  # those among the entries, the least used first
        self._kept, self._closed = KeptReports(), KeptReports()  # of the present; of the finish
        self._cursor: int | None = None
        self._changed = ChangedPiles()
        self.looked_at_s = float("-inf")  # by time.monotonic: when somebody last wanted reports of some age

    def report(self, pile_id: str, now: Millis, *, as_read: bool = False) -> HeatReport:
        """All that is known of the pile at ``now``; an instant long past is worked out afresh. NotFound: no such pile.

        ``as_read``: it was read ahead just now, so nobody asks whether anything came since.
        """
        return self._gather(self._kept, {pile_id: now}, 0, 0, None, as_read=as_read)[pile_id]

    def read_ahead(self, pile_ids: Sequence[str], now: Millis, between: Callable[[], None]) -> None:
        """What changed of these piles up to ``now``, with few questions to the stores; ``between`` them that is called."""
        until = dict.fromkeys(pile_ids, now)
        done = 0
        while done < len(pile_ids):
            between()
            done += self._fetch(pile_ids[done : done + TOGETHER], until)

    def reports(
        self,
        pile_ids: Iterable[str],
        now: Millis,
        *,
        fresh_ms: int = 0,
        oldest_ms: int = 0,
        patience_s: float | None = None,
        settled_s: float = 0.0,
    ) -> dict[str, HeatReport]:
        """The reports of many piles, with few questions to the stores.

        One that was worked out before is given again while nothing changed and it is at most ``fresh_ms`` behind
        ``now``. The others are worked out, those that changed first, for as long as ``patience_s`` lasts (None = all of
        them); after that one of at most ``oldest_ms`` stands in, and a pile without any is left out. One that has a
        report and changed within ``settled_s`` is left to others.
        """
        if oldest_ms:
            self.looked_at_s = time.monotonic()
        return self._gather(
            self._kept, dict.fromkeys(pile_ids, now), fresh_ms, oldest_ms, patience_s, settled_s
        )

    def closed_reports(
        self, piles: Iterable[Pile], *, patience_s: float | None = None
    ) -> dict[str, HeatReport]:
        """Of finished piles, each as it stood at its finish; worked out once, and again when something late changes it."""
        ends = {pile.id: pile.finished_at for pile in piles if pile.finished_at is not None}
        return self._gather(self._closed, ends, 0, 0, patience_s)

    def history(self, pile_id: str) -> PileHistory:
        with self._lock:
            self._catch_up()
            entry = self._entry(pile_id)
        with entry.lock:
            self._feed([entry], None)
            return entry.history()

    def whole_record(self, pile_id: str, now: Millis, hash_of: Callable[[PileHistory], str]) -> PutAway:
        """What is to be put away of a finished pile before the first of its readings is thinned."""
        pile = self._registry.piles.get(pile_id)
        closed, settled = self.closed_reports([pile])[pile_id], self.report(pile_id, now)
        history = self.history(pile_id)
        with self._lock:
            entry = self._entry(pile_id)
        with entry.lock:
            return PutAway(
                pile=pile_id, put_away_at=now, readings=entry.heat.row_count(), facts=facts_digest(entry.heat.facts),
                data_hash=hash_of(history), closed=closed, settled=settled,
            )  # fmt: skip

    def thinned(self, pile_id: str) -> tuple[PutAway, int] | None:
        """What was put away of a pile, and how many of its readings are gone; None = none are."""
        return thinned_batch(self._registry, self._readings, pile_id)

    def lines(self, pile_id: str) -> list[SensorLine]:
        """The lines of a pile's probes with all their readings; to be read before the book is asked again."""
        self.history(pile_id)
        with self._lock:
            return self._entry(pile_id).heat.probe_lines()

    def poll(self, consumer: str) -> set[str]:
        """Piles whose readings or facts changed since this consumer asked last; the first time, all open ones."""
        with self._lock:
            self._catch_up()
            changed = self._changed.since_asked_by(consumer)
            return self._shelf.open_ids() if changed is None else changed

    def _gather(
        self,
        kept: KeptReports,
        wanted: Mapping[str, Millis],
        fresh_ms: int,
        oldest_ms: int,
        patience_s: float | None,
        settled_s: float = 0.0,
        *,
        as_read: bool = False,
    ) -> dict[str, HeatReport]:
        deadline = None if patience_s is None else time.monotonic() + patience_s
        found: dict[str, HeatReport] = {}
        due: dict[str, list[str]] = {"changed": [], "missing": [], "aged": []}
        with self._lock:
            if not as_read:
                self._catch_up()
            for pile_id, at in wanted.items():
                standing = kept.standing(pile_id, self._changed.step_of(pile_id), at, fresh_ms)
                report = kept.get(pile_id)
                if report is not None and (standing == "good" or 0 <= at - report.as_of <= oldest_ms):
                    found[pile_id] = report
                if standing != "good" and not (
                    standing == "changed" and self._changed.within(pile_id, settled_s)
                ):
                    due[standing].append(pile_id)
        due["aged"].sort(key=lambda pile_id: found[pile_id].as_of if pile_id in found else 0)
        waiting = [*due["changed"], *due["missing"], *due["aged"]]
        fetched = 0
        for place, pile_id in enumerate(waiting):
            if deadline is not None and place >= AT_LEAST and time.monotonic() > deadline:
                break
            if place == fetched and len(waiting) > 1:
                fetched += self._fetch(waiting[place : place + TOGETHER], wanted)
            found[pile_id] = self._work_out(kept, pile_id, wanted[pile_id])
        return found

    def _work_out(self, kept: KeptReports, pile_id: str, now: Millis) -> HeatReport:
        with self._lock:
            step = self._changed.step_of(pile_id)
            entry = self._entry(pile_id)
        guide, rules = self._catalogue.asked_of(entry.heat.facts.pile)
        with entry.lock:
            self._feed([entry], now)
            heat, newest = entry.heat, entry.heat.newest_at()
            if newest is not None and newest > now:
                report = heat_report(heat.facts, heat.curves(), now, guide, rules, heat.max_gap_ms)
                return self._as_put_away(entry, report, now)
            report = self._as_put_away(entry, report_of(heat, now, guide, rules), now)
            with self._lock:
                if self._changed.step_of(pile_id) == step:
                    until = min(entry.stale.values(), default=None)
                    kept.keep(pile_id, Kept(report, step, until))
        return report

    def _as_put_away(self, entry: Entry, report: HeatReport, now: Millis) -> HeatReport:
        """Of a thinned batch what was put away, while it holds; the caller holds the entry's lock."""
        pile = entry.heat.facts.pile
        kept = None if pile.finished_at is None else put_away_of(self._registry, pile.id)
        gone = self._readings.thinned().get(pile.id, 0)
        while gone:  # until the lines and the count are of one moment: thinning may be at work
            with self._lock:
                self._catch_up()
            self._feed([entry], now)
            before, gone = gone, self._readings.thinned().get(pile.id, 0)
            if gone == before:
                break
        return as_put_away(report, kept, entry.heat, gone)

    def _entry(self, pile_id: str, sensors: Sequence[SensorSummary] | None = None) -> Entry:
        """Within the lock, caught up; ``sensors`` = all that the store knows at this moment, if it was asked."""
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

    def _catch_up(self) -> None:
        """Learn what changed: facts first, so that a reading finds the placement that makes it a pile's."""
        for pile_id in self._shelf.renew():
            self._changed.mark(pile_id)
            self._drop(pile_id)
        changes = self._readings.changes_since(self._cursor or 0)
        if self._cursor is not None and not changes.complete:
            for pile_id in self._shelf.open_ids() | set(self._entries) | self._closed.ids():
                self._changed.mark(pile_id)
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
            self._changed.mark(pile_id)
            entry = self._entries.get(pile_id)
            if entry is not None:
                entry.mark(sensor, max(earliest, entry.heat.facts.pile.built_at))

    def _drop(self, pile_id: str) -> None:
        self._entries.pop(pile_id, None)
        self._finished.pop(pile_id, None)

    def _fetch(self, pile_ids: Sequence[str], until: Mapping[str, Millis]) -> int:
        """Bring the engines of the first few of these piles up to date with one question to the store; gives how many."""
        with self._lock:
            self._catch_up()
            fresh = [pile_id for pile_id in pile_ids if pile_id not in self._entries]
            sensors = self._readings.sensors() if len(fresh) > 1 else None
            rows = {} if sensors is None else {one.sensor: one.count for one in sensors}
            entries: dict[str, Entry] = {}
            room = ROWS_TOGETHER
            for pile_id in pile_ids:
                entries[pile_id] = self._entry(pile_id, sensors)
                room -= sum(rows.get(sensor, 0) for sensor in entries[pile_id].stale)
                if room <= 0:
                    break
        with ExitStack() as stack:
            for pile_id in sorted(entries):  # in one order, as everyone who takes several does
                stack.enter_context(entries[pile_id].lock)
            self._feed(list(entries.values()), Millis(max(until[pile_id] for pile_id in entries)))
        return len(entries)

    def _feed(self, entries: Sequence[Entry], now: Millis | None) -> None:
        """Read anew what changed, up to ``now``; what is later waits for its time, what failed for the next try.

        The caller holds the lock of each entry.
        """
        with self._lock:
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
                    with self._lock:
                        entry.mark(sensor, later)
        finally:
            with self._lock:
                for entry, sensor, since in stale:
                    entry.mark(sensor, since)
