"""What one pile asks for: what to do, by when, and why, in the words of the round."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from shared.episodes import Episode
from shared.heat.report import HeatReport, SensorHeat
from shared.spoken import depth_words, respoken, span_words
from shared.times import DAY, MINUTE, Millis
from shared.units import Units, temperature_text, threshold_text

_WHOLE_HOURS = re.compile(r"(\d+)\.\d+ h\b")
Need = Literal["danger", "now", "check", "soon", "watch", "none"]
NEEDS: tuple[Need, ...] = ("danger", "now", "check", "soon", "watch", "none")
"""Most pressing first. check = its figures cannot be trusted, so somebody has to look."""


@dataclass(frozen=True, slots=True)
class Figure:
    """The hottest core reading there is; ``fresh`` False = too old to stand for the present."""

    celsius: float | None
    at: Millis | None
    fresh: bool


@dataclass(frozen=True, slots=True)
class Verdict:
    need: Need
    act: str
    by: Millis | None
    why: str


def hottest_figure(report: HeatReport) -> Figure:
    """The hottest of the core's last readings that are fresh; if none is, the newest one there is."""
    core = [s for s in report.sensors if s.zone == "core" and s.last_c is not None and s.last_at is not None]
    if not core:
        return Figure(None, None, fresh=False)
    limit = report.as_of - report.max_gap_minutes * MINUTE
    fresh = [sensor for sensor in core if _last(sensor) >= limit]
    best = max(fresh, key=lambda s: s.last_c or 0.0) if fresh else max(core, key=_last)
    return Figure(best.last_c, best.last_at, fresh=bool(fresh))


def _last(sensor: SensorHeat) -> int:
    return sensor.last_at if sensor.last_at is not None else -1


def judge(report: HeatReport, figure: Figure, told: Mapping[str, Episode], units: Units) -> Verdict:
    for asks in (_danger, _turn_now, _distrust, _turn_soon, _look):
        verdict = asks(report, figure, told, units)
        if verdict is not None:
            return verdict
    words = {
        "unknown": "No readings yet to judge by",
        "heating": "Warming up",
        "hot": "Hot, and nothing is due",
        "cooling": "Cooling down",
        "curing": "Curing",
        "finished": "Finished",
    }
    return Verdict("none", "Leave it", None, f"{words[report.phase]}.{_due_note(report)}")


def _due_note(report: HeatReport) -> str:
    if report.turn.due_at is None or report.turn.due_at <= report.as_of:
        return ""
    return f" Next turn in about {span_words(report.turn.due_at - report.as_of)}."


def _danger(report: HeatReport, figure: Figure, _: Mapping[str, Episode], units: Units) -> Verdict | None:
    if report.risk.level == "danger":
        return Verdict("danger", "Check for fire", report.as_of, _risk_words(report, figure, units))
    return None


def _turn_now(report: HeatReport, figure: Figure, _: Mapping[str, Episode], units: Units) -> Verdict | None:
    if report.risk.level == "high":
        since = report.turn.due_at if report.turn.state in {"due", "overdue"} else report.risk.since
        return Verdict("now", "Cool it: turn it now", since, _risk_words(report, figure, units))
    if report.turn.state in {"due", "overdue"}:
        found = [turn for turn in report.turns if turn.state == "proposed"]
        if found:
            why = (
                f"The curve looks like a turn {span_words(report.as_of - found[-1].at)} ago that nobody wrote down. "
                + _heat_words(report, figure, units)
            )
            return Verdict("now", "Was it turned? If not, turn it now", report.turn.due_at, why)
        late = "Overdue. " if report.turn.state == "overdue" else ""
        return Verdict("now", "Turn it now", report.turn.due_at, late + _heat_words(report, figure, units))
    return None


def _distrust(
    report: HeatReport, figure: Figure, told: Mapping[str, Episode], units: Units
) -> Verdict | None:
    if not report.sensors:
        return Verdict(
            "check",
            "Place a probe, or read it by hand",
            None,
            "No probe stands in this pile, and nobody has read it.",
        )
    if not figure.fresh:
        return Verdict("check", *_stale(report, figure, units))
    faulty = [sensor for sensor in report.sensors if sensor.fault]
    if faulty:
        names = ", ".join(f"{s.probe} at {depth_words(s.depth_cm, s.level)}" for s in faulty)
        return Verdict("check", "Check the probe", None, f"{names}: {respoken(faulty[0].fault or '', units)}")
    if "probe_silent" in told or "probe_fault" in told:
        which = told.get("probe_silent") or told["probe_fault"]
        return Verdict(
            "check",
            "Check the probe",
            None,
            f"{which.subject or 'A probe'}: {which.reason.replace('_', ' ')}.",
        )
    return None


def _stale(report: HeatReport, figure: Figure, units: Units) -> tuple[str, None, str]:
    if figure.at is None:
        return "Check the probe", None, "Its probe has sent nothing for this pile yet."
    old, was = span_words(report.as_of - figure.at), temperature_text(figure.celsius, units)
    if report.coverage.by == "hand":
        return "Read it by hand", None, f"Last read {old} ago: {was}."
    return "Check the probe", None, f"Nothing heard for {old}. It read {was} then."


def _turn_soon(report: HeatReport, figure: Figure, _: Mapping[str, Episode], units: Units) -> Verdict | None:
    if report.turn.state != "soon":
        return None
    return Verdict("soon", "Plan a turn", report.turn.due_at, _heat_words(report, figure, units))


def _look(report: HeatReport, figure: Figure, told: Mapping[str, Episode], units: Units) -> Verdict | None:
    if any(turn.state == "proposed" for turn in report.turns):
        return Verdict("watch", "Was it turned?", None, "The curve looks like a turn that nobody wrote down.")
    if report.risk.level == "watch":
        return Verdict("watch", "Keep an eye on it", None, _risk_words(report, figure, units))
    if "not_heating" in told or _stays_cool(report):
        return Verdict(
            "watch",
            "Look why it stays cool",
            None,
            f"{temperature_text(figure.celsius, units)}, {span_words(report.as_of - (report.built_at or report.as_of))}"
            " after it was built.",
        )
    if "battery_low" in told:
        return Verdict("watch", "Change a battery", None, f"{told['battery_low'].subject} runs low.")
    return None


def _stays_cool(report: HeatReport) -> bool:
    """Seven days without the operating range (USDA NRCS composting facility O&M sheet expects it by then)."""
    old = report.built_at is not None and report.as_of - report.built_at > 7 * DAY
    return old and report.phase in {"heating", "unknown"}


def _risk_words(report: HeatReport, figure: Figure, units: Units) -> str:
    if report.risk.reasons:
        reason = respoken(_WHOLE_HOURS.sub(r"\1 h", report.risk.reasons[0]), units)
        return f"{reason[:1].upper()}{reason[1:].rstrip('.')}."
    return f"Hottest {temperature_text(figure.celsius, units)}."


def _heat_words(report: HeatReport, figure: Figure, units: Units) -> str:
    heat = f"Hottest {temperature_text(figure.celsius, units)}"
    cycle = report.cycles[-1] if report.cycles else None
    if cycle is None or cycle.hours_above_55 is None:
        return f"{heat}."
    since = "the last turn" if len(report.cycles) > 1 else "it was built"
    return f"{heat}, {cycle.hours_above_55:.0f} h over {threshold_text(55.0, units)} since {since}."
