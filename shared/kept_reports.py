"""The last heat report of each pile, and whether it still stands. Not safe for several threads: the book locks."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import Literal

from shared.heat.report import HeatReport
from shared.times import Millis

AT_MOST = 2_000
"""Measured: about 30 kB a report of three sensors. The least used go first."""

Standing = Literal["good", "changed", "missing", "aged"]


@dataclass(frozen=True, slots=True)
class Kept:
    report: HeatReport
    step: int  # the pile's last change that it knows of
    until: Millis | None  # when the first reading that was ahead of the clock has its time


class KeptReports:
    def __init__(self) -> None:
        self._kept: OrderedDict[str, Kept] = OrderedDict()

    def keep(self, pile_id: str, kept: Kept) -> None:
        self._kept[pile_id] = kept
        self._kept.move_to_end(pile_id)
        while len(self._kept) > AT_MOST:
            self._kept.popitem(last=False)

    def ids(self) -> set[str]:
        return set(self._kept)

    def get(self, pile_id: str) -> HeatReport | None:
        kept = self._kept.get(pile_id)
        return None if kept is None else kept.report

    def standing(self, pile_id: str, step: int, now: Millis, fresh_ms: int) -> Standing:
        """``step`` = the pile's last change; good = nothing changed and at most ``fresh_ms`` behind ``now``."""
        kept = self._kept.get(pile_id)
        if kept is None:
            return "missing"
        if kept.step != step or (kept.until is not None and kept.until <= now):
            return "changed"
        return "good" if 0 <= now - kept.report.as_of <= fresh_ms else "aged"
