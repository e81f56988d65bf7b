"""The heat of every pile, kept at hand: one engine a pile, fed with what the store says has changed."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence

from shared.heat.catalogue import Catalogue
from shared.heat.compose import heat_report, report_of
from shared.heat.curve import SensorLine
from shared.heat.report import HeatReport
from shared.heat_engines import TOGETHER, HeatEngines
from shared.heat_entry import Entry, PileHistory, SensorHistory
from shared.kept_reports import Kept, KeptReports
from shared.piles import Pile
from shared.ports import ReadingsStore, Registry
from shared.put_away import PutAway, as_put_away, facts_digest, put_away_of, thinned_batch
from shared.times import Millis

__all__ = ["HeatBook", "PileHistory", "SensorHistory"]

AT_LEAST = 4
"""So many piles are worked out whatever the patience: whoever logs something sees it in the next answer."""


class HeatBook:
    """Safe for several threads. Reads what changed in the stores at every question; a StorageError passes through."""

    def __init__(
        self, readings: ReadingsStore, registry: Registry, catalogue: Catalogue, max_gap_ms: int
    ) -> None:
        self._readings, self._registry, self._catalogue = readings, registry, catalogue
        self._kept, self._closed = KeptReports(), KeptReports()  # of the present; of the finish
        self._engines = HeatEngines(readings, registry, max_gap_ms, self._closed.ids)
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
            done += self._engines.fetch(pile_ids[done : done + TOGETHER], until)

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
        with self._engines.lock:
            self._engines.catch_up()
            entry = self._engines.entry(pile_id)
        with entry.lock:
            self._engines.feed([entry], None)
            return entry.history()

    def whole_record(self, pile_id: str, now: Millis, hash_of: Callable[[PileHistory], str]) -> PutAway:
        """What is to be put away of a finished pile before the first of its readings is thinned."""
        pile = self._registry.piles.get(pile_id)
        closed, settled = self.closed_reports([pile])[pile_id], self.report(pile_id, now)
        history = self.history(pile_id)
        with self._engines.lock:
            entry = self._engines.entry(pile_id)
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
        with self._engines.lock:
            return self._engines.entry(pile_id).heat.probe_lines()

    def ahead_at(self, pile_id: str, now: Millis) -> Millis | None:
        """The instant of the first reading of a probe whose clock is ahead of ``now``: the report changes then, though
        nothing more comes. None = there is none."""
        with self._engines.lock:
            entry = self._engines.entry(pile_id)
            waiting = [at for at in entry.stale.values() if at > now]
        with entry.lock:
            held = entry.first_after(now)
        return min(waiting if held is None else [held, *waiting], default=None)

    def poll(self, consumer: str) -> set[str]:
        """Piles whose readings or facts changed since this consumer asked last; the first time, all open ones."""
        return self._engines.poll(consumer)

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
        with self._engines.lock:
            if not as_read:
                self._engines.catch_up()
            for pile_id, at in wanted.items():
                standing = kept.standing(pile_id, self._engines.changed.step_of(pile_id), at, fresh_ms)
                report = kept.get(pile_id)
                if report is not None and (standing == "good" or 0 <= at - report.as_of <= oldest_ms):
                    found[pile_id] = report
                if standing != "good" and not (
                    standing == "changed" and self._engines.changed.within(pile_id, settled_s)
                ):
                    due[standing].append(pile_id)
        due["aged"].sort(key=lambda pile_id: found[pile_id].as_of if pile_id in found else 0)
        waiting = [*due["changed"], *due["missing"], *due["aged"]]
        fetched = 0
        for place, pile_id in enumerate(waiting):
            if deadline is not None and place >= AT_LEAST and time.monotonic() > deadline:
                break
            if place == fetched and len(waiting) > 1:
                fetched += self._engines.fetch(waiting[place : place + TOGETHER], wanted)
            found[pile_id] = self._work_out(kept, pile_id, wanted[pile_id])
        return found

    def _work_out(self, kept: KeptReports, pile_id: str, now: Millis) -> HeatReport:
        with self._engines.lock:
            step = self._engines.changed.step_of(pile_id)
            entry = self._engines.entry(pile_id)
        guide, rules = self._catalogue.asked_of(entry.heat.facts.pile)
        with entry.lock:
            self._engines.feed([entry], now)
            heat = entry.heat
            if entry.first_after(now) is not None:
                report = heat_report(heat.facts, heat.curves(), now, guide, rules, heat.max_gap_ms)
                return self._as_put_away(entry, report, now)
            report = self._as_put_away(entry, report_of(heat, now, guide, rules), now)
            with self._engines.lock:
                if self._engines.changed.step_of(pile_id) == step:
                    until = min(entry.stale.values(), default=None)
                    kept.keep(pile_id, Kept(report, step, until))
        return report

    def _as_put_away(self, entry: Entry, report: HeatReport, now: Millis) -> HeatReport:
        """Of a thinned batch what was put away, while it holds; the caller holds the entry's lock."""
        pile = entry.heat.facts.pile
        kept = None if pile.finished_at is None else put_away_of(self._registry, pile.id)
        gone = self._readings.thinned().get(pile.id, 0)
        while gone:  # until the lines and the count are of one moment: thinning may be at work
            with self._engines.lock:
                self._engines.catch_up()
            self._engines.feed([entry], now)
            before, gone = gone, self._readings.thinned().get(pile.id, 0)
            if gone == before:
                break
        return as_put_away(report, kept, entry.heat, gone)
