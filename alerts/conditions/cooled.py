"""The heat is over: no reheat after the last turn. With turns still wanted, that is too early and worth a look."""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.verdict import Condition, Verdict, heat_figures
from alerts.snapshot import Snapshot
from shared.times import DAY

OVER_C = 45.0  # the end of the active phase: no reheat above 40-45 °C (common practice)


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    report = snapshot.report
    if report is None:
        return []
    if report.phase in {"hot", "heating"}:
        return [Verdict("ok", "reheated")]
    if report.phase != "curing":
        return [Verdict("unknown", f"phase_{report.phase}")]
    turn = report.turn
    early = turn.counted < turn.required
    figures = heat_figures(report) | {"threshold_c": OVER_C}
    return [
        Verdict(
            "bad",
            "heat_over_before_the_turns" if early else "heat_over",
            "act" if early else "info",
            figures=figures,
            since=report.hottest.peak_at,
        )
    ]


CONDITION = Condition(
    "cooled",
    ("pile",),
    judge,
    close_hold_ms=1 * DAY,
    retell_after_ms=7 * DAY,
    tell_resolved=False,
    tell_old_ms=60 * DAY,
)
