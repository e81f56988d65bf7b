"""The risk ladder says danger: check by hand and be ready to call the fire service.

A reading that falls or fails at such heat proves nothing (a burnt sensor, a dry hollow), so this closes only on fresh
readings well below, held for hours, with no sensor at fault.
"""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.verdict import Condition, Verdict, heat_figures, hottest_now_c, known, of_late
from alerts.snapshot import Snapshot
from shared.times import HOUR

CLOSE_C = 68.0
OF_THE_GUIDE = frozenset(
    {"threshold_c", "hours", "limit_h", "rungs", "load", "due_at", "earliest_at", "latest_at"}
)
"""Nobody is to turn it now."""


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    report = snapshot.report
    if report is None:
        return []
    figures = {name: value for name, value in heat_figures(report).items() if name not in OF_THE_GUIDE}
    fault = next((s.fault for s in report.sensors if s.zone == "core" and s.fault), None)
    if report.risk.level == "danger":
        if fault:
            figures["fault"] = fault
        figures |= known(reasons=list(report.risk.reasons), since_at=report.risk.since)
        danger = Verdict("bad", "risk_danger", "urgent", figures=figures, since=report.risk.since)
        return [danger if of_late(report) else Verdict("unknown", "no_reading_of_late")]
    now_c = hottest_now_c(report)
    if now_c is None:
        return [Verdict("unknown", "no_fresh_reading")]
    if fault:
        return [Verdict("unknown", "sensor_at_fault")]
    if now_c >= CLOSE_C:
        return [Verdict("unknown", "between_thresholds")]
    return [Verdict("ok", "under_68_for_6_h", figures=figures)]


CONDITION = Condition("fire_watch", ("pile",), judge, close_hold_ms=6 * HOUR)
