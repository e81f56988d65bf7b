"""The pile does not heat: too dry, too wet, too little nitrogen, or too small.

Most piles pass 50 °C within two to three days (common practice), and one that has not warmed within about seven days
will not by itself (USDA NRCS composting-facility sheet): so an early word after three days, an act after seven.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from alerts.conditions.verdict import Condition, Verdict, fresh, heat_figures, known
from alerts.snapshot import Snapshot
from shared.heat.report import HeatReport
from shared.times import DAY, HOUR, Millis

SLOW_AFTER_MS, SLOW_C = 3 * DAY, 45.0
COLD_AFTER_MS, HOT_C = 7 * DAY, 55.0
CLOSE_SLOW_C = 50.0
CLIMBING_MS = (
    12 * HOUR
)  # its highest reading is this young: a day has its hours, so half of one; common practice
SEEN_FROM_MS = 48 * HOUR  # a pile first read later than this may have been hot before anyone looked
TOO_OLD_MS = 30 * DAY


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    report = snapshot.report
    if report is None or report.built_at is None:
        return []
    age = snapshot.now - report.built_at
    if age < SLOW_AFTER_MS:
        look = Millis(report.built_at + SLOW_AFTER_MS)
        return [Verdict("ok", "too_early", quiet=True, look_again_at=look)]
    peak = report.hottest.peak_c
    figures = heat_figures(report) | known(days=age / DAY, target_c=HOT_C, peak_c=peak)
    if peak is not None and peak >= HOT_C:
        return [Verdict("ok", "heated", figures=figures, since=report.hottest.peak_at)]
    if age >= TOO_OLD_MS or report.phase in {"curing", "finished"}:
        return [Verdict("ok", "past_its_heating", quiet=True)]
    if peak is None or not fresh(report) or not _seen_from_the_start(report, report.built_at):
        return [Verdict("unknown", "not_measured_then_or_now")]
    peak_at = report.hottest.peak_at
    climbing = peak_at is not None and snapshot.now - peak_at < CLIMBING_MS
    return [_by_peak(age, peak, figures, Millis(report.built_at + COLD_AFTER_MS), climbing=climbing)]


def _by_peak(age: int, peak: float, figures: dict[str, Any], cold_from: Millis, *, climbing: bool) -> Verdict:
    if age >= COLD_AFTER_MS:
        return Verdict("bad", "under_55_after_7_days", "act", figures=figures)
    if peak < SLOW_C and climbing:
        return Verdict("unknown", "still_climbing", look_again_at=cold_from)
    if peak < SLOW_C:
        return Verdict("bad", "under_45_after_3_days", "info", figures=figures, look_again_at=cold_from)
    if peak < CLOSE_SLOW_C:
        return Verdict("unknown", "between_thresholds", look_again_at=cold_from)
    return Verdict("ok", "warm", figures=figures, look_again_at=cold_from)


def _seen_from_the_start(report: HeatReport, built_at: Millis) -> bool:
    firsts = [s.first_at for s in report.sensors if s.zone == "core" and s.first_at is not None]
    return bool(firsts) and min(firsts) - built_at <= SEEN_FROM_MS


CONDITION = Condition("not_heating", ("pile",), judge)
