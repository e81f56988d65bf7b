"""What a condition says of one subject, and what a condition is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from alerts.snapshot import Snapshot
from shared.episodes import NoticeKind, Severity
from shared.heat.report import HeatReport, RungHours
from shared.times import HOUR, Millis

ALARMING_MS = 12 * HOUR

VerdictState = Literal["bad", "ok", "unknown"]
Scope = Literal["pile", "site", "service", "morning"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """``bad`` opens an episode, ``ok`` closes it (after the condition's hold), ``unknown`` does neither.

    Between an opening and a closing threshold the verdict is ``unknown`` with a reason that says so.
    """

    state: VerdictState
    reason: str
    severity: Severity = "info"
    subject: str = ""
    figures: dict[str, Any] = field(default_factory=dict)
    look_again_at: Millis | None = None  # when time alone, without a new reading, could change this verdict
    since: Millis | None = (
        None  # bad: since when, by the curve; ok: since when it has been well, by the curve
    )
    anchor: int | None = None  # what the trouble is counted from (the last turn); a moved anchor is an answer
    undone: bool = False  # ok: unless the anchor moved, the sums now say that it never was so
    quiet: bool = False  # ok: another notice took over, or nothing is gained by saying that it is over
    hold_ms: int | None = (
        None  # ok: how long it must stay so before it closes (None = the condition's own hold)
    )


@dataclass(frozen=True, slots=True)
class Condition:
    """``judge`` is pure: one verdict for every subject that there is now. A subject left out is there no more."""

    kind: NoticeKind
    scopes: tuple[Scope, ...]
    judge: Callable[[Snapshot], Sequence[Verdict]]
    close_hold_ms: int = 0  # "ok" must have held for so long
    retell_after_ms: int = 0  # the same trouble within so long after it was over is not told again
    tell_resolved: bool = True
    tell_old_ms: int | None = None  # older news than this (by ``since``) is noted and not told


def turn_anchor(report: HeatReport) -> int | None:
    """The last confirmed turn, else the build."""
    turns = [turn.at for turn in report.turns if turn.state == "confirmed"]
    return max(turns) if turns else report.built_at


def last_turn_at(report: HeatReport) -> Millis | None:
    return max((turn.at for turn in report.turns if turn.state == "confirmed"), default=None)


def newest_at(report: HeatReport, zone: str | None = "core") -> Millis | None:
    """The instant of the newest good reading of the zone (None = any zone)."""
    known = [s.last_at for s in report.sensors if s.last_at is not None and zone in {None, s.zone}]
    return max(known, default=None)


def fresh(report: HeatReport) -> bool:
    """Whether a core reading young enough to speak for the present is there."""
    newest = newest_at(report)
    return newest is not None and report.as_of - newest <= report.max_gap_minutes * 60_000


def of_late(report: HeatReport) -> bool:
    """Whether what the report says is young enough to alarm anyone: not a record that is being loaded, oldest first."""
    newest = newest_at(report, None)
    return newest is not None and report.as_of - newest <= ALARMING_MS


def hottest_now_c(report: HeatReport) -> float | None:
    return report.hottest.now_c if fresh(report) else None


def heat_figures(report: HeatReport) -> dict[str, Any]:
    """The numbers that every heat notice carries; unknown ones are left out."""
    cycle = report.cycles[-1] if report.cycles else None
    turn = report.turn
    return known(
        hottest_c=report.hottest.now_c,
        measured_at=newest_at(report),
        hours_above_55_since_turn=cycle.hours_above_55 if cycle else None,
        load=turn.load,
        due_at=turn.due_at,
        earliest_at=turn.earliest,
        latest_at=turn.latest,
        turns_counted=turn.counted,
        turns_required=turn.required,
        last_turn_at=last_turn_at(report),
        **_on_the_guide(cycle.rungs if cycle else None),
    )


def _on_the_guide(rungs: list[RungHours] | None) -> dict[str, Any]:
    """Which rung of the guide weighs most since the last turn, the hours at or over it, and how long it allows."""
    if not rungs:
        return {}
    heaviest = max(rungs, key=lambda rung: (_share(rung, rung.hours), rung.from_c))
    return {
        "threshold_c": heaviest.from_c,
        "hours": heaviest.hours_over,
        "limit_h": heaviest.hold_h,
        "rungs": [{"from_c": rung.from_c, "hours": rung.hours, "limit_h": rung.hold_h} for rung in rungs],
    }


def _share(rung: RungHours, hours: float) -> float:
    """How much of a turn's load comes from so many hours on it; where nothing is allowed, more than all others."""
    return hours / rung.hold_h if rung.hold_h else float("inf")


def known(**figures: Any) -> dict[str, Any]:
    return {name: value for name, value in figures.items() if value is not None}
