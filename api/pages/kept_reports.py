"""Heat reports at hand for the round: worked out again when a pile changed, and a few at a time as they grow old."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from dataclasses import dataclass

from shared.heat.report import HeatReport
from shared.heat_book import HeatBook
from shared.ids import new_id
from shared.times import MINUTE, SECOND, Millis

RENEW_MS = 45 * SECOND  # older ones are renewed, the oldest first, at most RENEW_AT_ONCE in one request
RENEW_AT_ONCE = 24
OLDEST_MS = 10 * MINUTE  # nothing older is shown


@dataclass(slots=True)
class _Kept:
    report: HeatReport
    changed: bool = False


class KeptReports:
    """Safe for several threads. ``prepare`` first, then ask; what was not prepared is worked out at once.

    A report that nothing has changed since may be up to OLDEST_MS behind the clock (by the service's clock times
    ``speed``): the ages of figures are told from the present anyway.
    """

    def __init__(self, book: HeatBook, speed: float = 1.0) -> None:
        self._book, self._speed = book, max(1.0, speed)
        self._kept: dict[str, _Kept] = {}
        self._lock = threading.Lock()
        self._consumer = f"round-{new_id(Millis(0))}"

    def prepare(self, pile_ids: Iterable[str], now: Millis) -> None:
        changed = self._book.poll(self._consumer)
        wanted = list(pile_ids)
        with self._lock:
            for pile_id in changed:
                if pile_id in self._kept:
                    self._kept[pile_id].changed = True
            due = [pile_id for pile_id in wanted if self._must(pile_id, now)]
            aging = [
                (self._kept[pile_id].report.as_of, pile_id)
                for pile_id in wanted
                if pile_id not in due and now - self._kept[pile_id].report.as_of > RENEW_MS * self._speed
            ]
        for pile_id in [*due, *(pile_id for _, pile_id in sorted(aging)[:RENEW_AT_ONCE])]:
            self._renew(pile_id, now)

    def report(self, pile_id: str, now: Millis) -> HeatReport:
        with self._lock:
            if not self._must(pile_id, now):
                return self._kept[pile_id].report
        return self._renew(pile_id, now)

    def _must(self, pile_id: str, now: Millis) -> bool:
        kept = self._kept.get(pile_id)
        if kept is None or kept.changed:
            return True
        return not 0 <= now - kept.report.as_of <= OLDEST_MS * self._speed

    def _renew(self, pile_id: str, now: Millis) -> HeatReport:
        report = self._book.report(pile_id, now)
        with self._lock:
            self._kept[pile_id] = _Kept(report)
        return report
