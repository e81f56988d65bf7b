"""The pile runs too hot: at or over 70 °C, or the risk ladder says high. Turning and watering bring it down.

65-70 °C is the turning guide's business (a turn within 24 h); from 70 °C on it is turned now (guide: common practice;
over 71 °C: North Carolina DEQ guidance on spontaneous combustion, as in the heat sheet's section on overheating).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from alerts.conditions.verdict import (
    Condition,
    Verdict,
    heat_figures,
    hottest_now_c,
    known,
    last_turn_at,
    of_late,
    turn_anchor,
)
from alerts.snapshot import Snapshot
from shared.heat.report import HeatReport
from shared.times import HOUR, MINUTE, Millis

OPEN_C = 70.0
CLOSE_C = 67.0
SETTLE_MS = 2 * HOUR  # so long after a turn the readings are those of a heap that was just opened
LADDER_REST_MS = (
    24 * HOUR
)  # the risk ladder steps down slowly after a turn; until then the reading itself decides


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    report = snapshot.report
    if report is None:
        return []
    turned = last_turn_at(report)
    if turned is not None and snapshot.now - turned < SETTLE_MS:
        look = Millis(turned + SETTLE_MS)
        return [
            Verdict("ok", "turned", anchor=turn_anchor(report), since=turned, hold_ms=0, look_again_at=look)
        ]
    rested = turned is None or snapshot.now - turned >= LADDER_REST_MS
    return [_by_heat(report, ladder_decides=rested)]


def _by_heat(report: HeatReport, *, ladder_decides: bool) -> Verdict:
    figures = _figures(report)
    anchor = turn_anchor(report)
    now_c = hottest_now_c(report)
    if now_c is not None and now_c >= OPEN_C:
        return Verdict("bad", "at_or_over_70", "act", figures=figures, since=report.risk.since, anchor=anchor)
    if ladder_decides and report.risk.level in {"high", "danger"} and of_late(report):
        return Verdict("bad", "risk_high", "act", figures=figures, since=report.risk.since, anchor=anchor)
    if now_c is None:
        return Verdict("unknown", "no_fresh_reading")
    if now_c >= CLOSE_C:
        return Verdict("unknown", "between_thresholds")
    return Verdict("ok", "under_67", figures=figures, anchor=anchor)


def _figures(report: HeatReport) -> dict[str, Any]:
    """Held against 70 °C rather than against the guide's heaviest rung; nothing is allowed there, so without a limit."""
    guided = {"hours", "limit_h", "rungs"}
    figures = {name: value for name, value in heat_figures(report).items() if name not in guided}
    rungs = report.cycles[-1].rungs if report.cycles else None
    over = next((rung.hours_over for rung in rungs or () if rung.from_c == OPEN_C), None)
    return figures | known(threshold_c=OPEN_C, hours=over)


CONDITION = Condition("cool_pile", ("pile",), judge, close_hold_ms=60 * MINUTE)
