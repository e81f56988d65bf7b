"""The three turn notices are one chain: soon, due, overdue. Each takes over from the one before it."""

from __future__ import annotations

from dataclasses import replace

from alerts.conditions.verdict import Verdict, heat_figures, last_turn_at, newest_at, turn_anchor
from alerts.snapshot import Snapshot
from shared.episodes import NoticeKind, Severity
from shared.heat.report import HeatReport, TurnStateNow
from shared.times import HOUR, Millis

CHAIN: tuple[NoticeKind, ...] = ("turn_soon", "turn_due", "turn_overdue")
_STATE_OF: dict[NoticeKind, TurnStateNow] = {
    "turn_soon": "soon",
    "turn_due": "due",
    "turn_overdue": "overdue",
}


def judge_link(snapshot: Snapshot, kind: NoticeKind, severity: Severity, reason: str) -> list[Verdict]:
    """``bad`` while the guide's state is this link's own; ``ok`` once a turn answered it or the next link took over."""
    report = snapshot.report
    if report is None:
        return []
    figures = heat_figures(report)
    anchor = turn_anchor(report)
    state = report.turn.state
    if kind == "turn_overdue" and report.turn.due_at is not None:
        figures["late_h"] = (snapshot.now - report.turn.due_at) / HOUR
    if state == _STATE_OF[kind]:
        if report.turn.load is None:
            return [Verdict("unknown", "load_unknown")]
        return [
            Verdict(
                "bad",
                reason,
                severity,
                figures=figures,
                look_again_at=_next_look(snapshot, report),
                since=report.turn.due_at if state != "soon" else None,
                anchor=anchor,
            )
        ]
    return [replace(_over(report, kind, anchor), look_again_at=_next_look(snapshot, report))]


def _next_look(snapshot: Snapshot, report: HeatReport) -> Millis | None:
    """The next of: soon, due, overdue, as the guide foresees them now."""
    due_at, guide = report.turn.due_at, snapshot.guide
    if due_at is None or guide is None:
        return due_at if due_at is not None and due_at > snapshot.now else None
    steps = [due_at - round(guide.soon_h * HOUR), due_at]
    if guide.overdue_h is not None:
        steps.append(due_at + round(guide.overdue_h * HOUR))
    return Millis(min((at for at in steps if at > snapshot.now), default=0)) or None


def _over(report: HeatReport, kind: NoticeKind, anchor: int | None) -> Verdict:
    figures = heat_figures(report)
    state = report.turn.state
    links = list(CHAIN)
    held_by = next((link for link, own in _STATE_OF.items() if own == state), None)
    if held_by is not None:
        later = links.index(held_by) > links.index(kind)
        reason = f"{held_by}_took_over" if later else f"back_to_{held_by}"
        # a turn that puts the pile back to "soon" at once is an answer all the same
        return Verdict("ok", reason, figures=figures, anchor=anchor, quiet=later, undone=not later, hold_ms=0)
    if report.turn.load is None and not _just_turned(report):
        return Verdict("unknown", "load_unknown")
    if state == "none" and report.turn.load is not None:
        return Verdict("ok", "no_turn_wanted", figures=figures, anchor=anchor, hold_ms=0)
    return Verdict(
        "ok",
        "turned" if last_turn_at(report) is not None else "not_yet_due",
        figures=figures,
        anchor=anchor,
        undone=True,
        hold_ms=0,
    )


def _just_turned(report: HeatReport) -> bool:
    """Turned, and not read since: nothing is known of the load, and it has begun anew."""
    turned, newest = last_turn_at(report), newest_at(report)
    return turned is not None and (newest is None or newest <= turned)
