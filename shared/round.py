"""The round: the open piles of a site in order of need, each with what to do, by when, and why."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

from shared.episodes import Episode
from shared.heat.report import HeatReport, SensorHeat
from shared.piles import Pile
from shared.ports import Registry
from shared.spoken import depth_words, respoken, span_words
from shared.times import DAY, MINUTE, SECOND, Millis
from shared.units import Units, temperature_text, threshold_text

_WHOLE_HOURS = re.compile(r"(\d+)\.\d+ h\b")
Need = Literal["danger", "now", "check", "soon", "watch", "none"]
NEEDS: tuple[Need, ...] = ("danger", "now", "check", "soon", "watch", "none")
"""Most pressing first. check = its figures cannot be trusted, so somebody has to look."""
FRESH_MS = 30 * SECOND
"""What the sums said of an unchanged pile so long ago still holds for the order of need."""
OLDEST_MS = 15 * MINUTE
"""Where many are shown at once, none is older."""


class Reports(Protocol):
    """A HeatBook."""

    def reports(
        self, pile_ids: Iterable[str], now: Millis, *, fresh_ms: int = ...
    ) -> Mapping[str, HeatReport]: ...


@dataclass(frozen=True, slots=True)
class Figure:
    """The hottest core reading there is; ``fresh`` False = too old to stand for the present."""

    celsius: float | None
    at: Millis | None
    fresh: bool


@dataclass(frozen=True, slots=True)
class RoundRow:
    pile: Pile
    zone: str  # the site's IANA zone
    need: Need
    act: str
    by: Millis | None
    why: str
    figure: Figure
    report: HeatReport
    episodes: tuple[Episode, ...] = ()


@dataclass(frozen=True, slots=True)
class _Verdict:
    need: Need
    act: str
    by: Millis | None
    why: str


def round_list(
    registry: Registry,
    book: Reports,
    now: Millis,
    site: str | None = None,
    *,
    units: Units = "celsius",
) -> list[RoundRow]:
    """Open piles of ``site`` (None = all), the most pressing first; ``why`` speaks in ``units``."""
    piles = open_piles(registry, now, site)
    reports = book.reports([pile.id for pile in piles], now, fresh_ms=FRESH_MS)
    return round_rows(registry, piles, reports, units)


def open_piles(registry: Registry, now: Millis, site: str | None = None) -> list[Pile]:
    return [pile for pile in registry.piles.all(site=site, open_only=True) if pile.built_at <= now]


def round_rows(
    registry: Registry, piles: Iterable[Pile], reports: Mapping[str, HeatReport], units: Units = "celsius"
) -> list[RoundRow]:
    """The rows of those piles that have a report, the most pressing first."""
    zones = {found.slug: found.zone for found in registry.sites.all()}
    episodes: dict[str, list[Episode]] = {}
    for episode in registry.episodes.unresolved():
        if episode.pile_id:
            episodes.setdefault(episode.pile_id, []).append(episode)
    rows = [
        round_row(
            pile,
            zones.get(pile.site, "UTC"),
            reports[pile.id],
            tuple(episodes.get(pile.id, ())),
            units,
        )
        for pile in piles
        if pile.id in reports
    ]
    return sorted(rows, key=_order)


def round_row(
    pile: Pile,
    zone: str,
    report: HeatReport,
    episodes: tuple[Episode, ...] = (),
    units: Units = "celsius",
) -> RoundRow:
    figure = hottest_figure(report)
    verdict = _judge(report, figure, {episode.kind: episode for episode in episodes}, units)
    return RoundRow(pile, zone, verdict.need, verdict.act, verdict.by, verdict.why, figure, report, episodes)


def counts_by_need(rows: list[RoundRow]) -> Mapping[Need, int]:
    return {need: sum(row.need == need for row in rows) for need in NEEDS}


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


def _order(row: RoundRow) -> tuple[int, int, float, str]:
    by = row.by if row.by is not None else 2**62
    return (NEEDS.index(row.need), by, -(row.figure.celsius or -273.0), row.pile.peg)


def _judge(report: HeatReport, figure: Figure, told: Mapping[str, Episode], units: Units) -> _Verdict:
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
    return _Verdict("none", "Leave it", None, f"{words[report.phase]}.{_due_note(report)}")


def _due_note(report: HeatReport) -> str:
    if report.turn.due_at is None or report.turn.due_at <= report.as_of:
        return ""
    return f" Next turn in about {span_words(report.turn.due_at - report.as_of)}."


def _danger(report: HeatReport, figure: Figure, _: Mapping[str, Episode], units: Units) -> _Verdict | None:
    if report.risk.level == "danger":
        return _Verdict("danger", "Check for fire", report.as_of, _risk_words(report, figure, units))
    return None


def _turn_now(report: HeatReport, figure: Figure, _: Mapping[str, Episode], units: Units) -> _Verdict | None:
    if report.risk.level == "high":
        since = report.turn.due_at if report.turn.state in {"due", "overdue"} else report.risk.since
        return _Verdict("now", "Cool it: turn it now", since, _risk_words(report, figure, units))
    if report.turn.state in {"due", "overdue"}:
        found = [turn for turn in report.turns if turn.state == "proposed"]
        if found:
            why = (
                f"The curve looks like a turn {span_words(report.as_of - found[-1].at)} ago that nobody wrote down. "
                + _heat_words(report, figure, units)
            )
            return _Verdict("now", "Was it turned? If not, turn it now", report.turn.due_at, why)
        late = "Overdue. " if report.turn.state == "overdue" else ""
        return _Verdict("now", "Turn it now", report.turn.due_at, late + _heat_words(report, figure, units))
    return None


def _distrust(
    report: HeatReport, figure: Figure, told: Mapping[str, Episode], units: Units
) -> _Verdict | None:
    if not report.sensors:
        return _Verdict(
            "check",
            "Place a probe, or read it by hand",
            None,
            "No probe stands in this pile, and nobody has read it.",
        )
    if not figure.fresh:
        return _Verdict("check", *_stale(report, figure, units))
    faulty = [sensor for sensor in report.sensors if sensor.fault]
    if faulty:
        names = ", ".join(f"{s.probe} at {depth_words(s.depth_cm, s.level)}" for s in faulty)
        return _Verdict(
            "check", "Check the probe", None, f"{names}: {respoken(faulty[0].fault or '', units)}"
        )
    if "probe_silent" in told or "probe_fault" in told:
        which = told.get("probe_silent") or told["probe_fault"]
        return _Verdict(
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


def _turn_soon(report: HeatReport, figure: Figure, _: Mapping[str, Episode], units: Units) -> _Verdict | None:
    if report.turn.state != "soon":
        return None
    return _Verdict("soon", "Plan a turn", report.turn.due_at, _heat_words(report, figure, units))


def _look(report: HeatReport, figure: Figure, told: Mapping[str, Episode], units: Units) -> _Verdict | None:
    if any(turn.state == "proposed" for turn in report.turns):
        return _Verdict(
            "watch", "Was it turned?", None, "The curve looks like a turn that nobody wrote down."
        )
    if report.risk.level == "watch":
        return _Verdict("watch", "Keep an eye on it", None, _risk_words(report, figure, units))
    if "not_heating" in told or _stays_cool(report):
        return _Verdict(
            "watch",
            "Look why it stays cool",
            None,
            f"{temperature_text(figure.celsius, units)}, {span_words(report.as_of - (report.built_at or report.as_of))}"
            " after it was built.",
        )
    if "battery_low" in told:
        return _Verdict("watch", "Change a battery", None, f"{told['battery_low'].subject} runs low.")
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
