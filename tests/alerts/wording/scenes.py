"""One scene of Larkfield Yard for every kind of notice, as its condition would give it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from shared.episodes import Episode, NoticeKind, Severity
from shared.heat.faults import NO_VALUES, POWER_ON, STUCK
from shared.heat.guide import Guide, Rung
from shared.heat.report import Extreme, HeatReport, Risk, SensorHeat, TurnOutlook
from shared.links import LinkAct
from shared.people import Person
from shared.piles import Pile, Site
from shared.round import RoundRow
from shared.round_verdict import Figure, Need
from shared.times import HOUR, MINUTE, Millis, parse_time
from shared.units import Units

NOW = parse_time("2026-11-25T14:05:00Z")
SITE = Site("larkfield", "Larkfield Yard", "Europe/Dublin")
PILE = Pile("pile-7", "larkfield", "K-07", parse_time("2026-11-14T09:00:00Z"))
GUIDE = Guide(
    id="example",
    title="Example",
    source="made up for these tests",
    source_status="common practice",
    rungs=(
        Rung(from_c=55, hold_h=72),
        Rung(from_c=60, hold_h=48),
        Rung(from_c=65, hold_h=24),
        Rung(from_c=70, hold_h=0),
    ),
    required_turns=3,
)
EMPTY = Extreme(now_c=None, peak_c=None, peak_at=None, hours_above={}, longest_spell_hours={})


@dataclass(frozen=True)
class StillScene:
    now: Millis = NOW
    pile: Pile | None = PILE
    site: Site | None = SITE
    report: HeatReport | None = None
    guide: Guide | None = None
    round: tuple[RoundRow, ...] = ()


def person(units: Units = "celsius", language: str = "en", zone: str = "Europe/Dublin") -> Person:
    return Person("p-1", "Ada", zone, units, language)


def link_for(act: LinkAct) -> str:
    return f"https://yard.example/do/{act}"


def report(celsius: float | None = 66.8, age_ms: int = 8 * MINUTE, counted: int = 1) -> HeatReport:
    at = Millis(NOW - age_ms)
    sensor = SensorHeat(
        probe="P-07",
        depth_cm=45,
        position="middle",
        zone="core",
        readings=900,
        suspect=0,
        first_at=PILE.built_at,
        last_at=at,
        last_c=celsius,
        peak_c=celsius,
        peak_at=at,
        hours_above={},
        longest_spell_hours={},
        gap_hours=0.0,
    )
    return HeatReport(
        pile=PILE.id,
        as_of=NOW,
        built_at=PILE.built_at,
        phase="hot",
        sensors=[sensor],
        hottest=EMPTY.model_copy(update={"now_c": celsius}),
        coldest=EMPTY,
        turns=[],
        cycles=[],
        turn=TurnOutlook(
            guide="house",
            load=0.92,
            due_at=None,
            earliest=None,
            latest=None,
            counted=counted,
            required=3,
            state="soon",
        ),
        risk=Risk(level="none", reasons=[], since=None),
        rules=[],
        outlook=[],
        crossings=[],
        lethality_index=None,
        never_hot_share=None,
        cautions=[],
        max_gap_minutes=180,
    )


HEAT: dict[str, Any] = {
    "hottest_c": 66.8,
    "measured_at": NOW - 8 * MINUTE,
    "threshold_c": 65.0,
    "hours": 22.0,
    "limit_h": 24.0,
    "turns_counted": 1,
    "turns_required": 3,
}
FIGURES: dict[NoticeKind, dict[str, Any]] = {
    "turn_soon": HEAT | {"due_at": NOW + 115 * MINUTE},
    "turn_due": HEAT | {"due_at": NOW - 5 * MINUTE, "hours": 24.1},
    "turn_overdue": {
        "hottest_c": 63.2,
        "measured_at": NOW - 8 * MINUTE,
        "hours_above_55_since_turn": 58.4,
        "load": 1.31,
        "due_at": NOW - 14 * HOUR,
        "last_turn_at": NOW - 70 * HOUR,
        "turns_counted": 1,
        "turns_required": 3,
    },
    "cool_pile": HEAT | {"hottest_c": 72.4, "threshold_c": 71.0, "hours": 1.5, "limit_h": None},
    "fire_watch": {
        "hottest_c": 84.0,
        "measured_at": NOW - 8 * MINUTE,
        "since_at": NOW - 45 * MINUTE,
        "reasons": ["core 84.0 °C, at 82 °C or more: treat as a warning before fire"],
        "fault": POWER_ON,
    },
    "not_heating": {
        "hottest_c": 38.1,
        "measured_at": NOW - 8 * MINUTE,
        "days": 7.0,
        "target_c": 55.0,
        "peak_c": 41.9,
    },
    "cooled": {
        "hottest_c": 38.1,
        "measured_at": NOW - 8 * MINUTE,
        "threshold_c": 40.0,
        "hours": 48.0,
        "turns_counted": 3,
    },
    "rule_met": {"rule": "US organic windrow", "edition": "7 CFR 205.203(c)(2)", "met_at": NOW - HOUR},
    "probe_silent": {"probe": "P-07", "last_heard_at": NOW - 5 * HOUR},
    "probe_fault": {"probe": "P-07", "depth": "45 cm", "fault": f"{NO_VALUES}; {STUCK}"},
    "battery_low": {"probe": "P-07", "battery_percent": 14.0, "limit_percent": 15.0},
    "turn_found": {"turn_at": NOW - 3 * HOUR, "fall_k": 17.5},
    "service_trouble": {"part": "ingest", "since_at": NOW - 12 * MINUTE, "why": "no heartbeat"},
    "morning_round": {},
}
SEVERITY: dict[NoticeKind, Severity] = {
    "turn_due": "act",
    "turn_overdue": "act",
    "cool_pile": "urgent",
    "fire_watch": "urgent",
}


def episode(kind: NoticeKind, **figures: Any) -> Episode:
    return Episode(
        id=f"episode-{kind}",
        kind=kind,
        site="larkfield",
        pile_id=None if kind in {"service_trouble", "morning_round"} else PILE.id,
        subject="P-07" if kind in {"probe_silent", "probe_fault", "battery_low"} else "",
        severity=SEVERITY.get(kind, "info"),
        state="open",
        opened_at=Millis(NOW - 26 * HOUR),
        reason="example",
        figures=FIGURES[kind] | figures,
    )


def scene(kind: NoticeKind) -> StillScene:
    if kind == "service_trouble":
        return StillScene(pile=None, site=None)
    if kind == "morning_round":
        return StillScene(pile=None, round=morning())
    celsius = FIGURES[kind].get("hottest_c", 61.0)
    return StillScene(report=report(celsius), guide=GUIDE)


def morning() -> tuple[RoundRow, ...]:
    def row(peg: str, need: Need, celsius: float | None, by: Millis | None = None) -> RoundRow:
        pile = Pile(f"pile-{peg}", "larkfield", peg, PILE.built_at)
        drawn = report(celsius)
        figure = Figure(celsius, Millis(NOW - 8 * MINUTE), fresh=True)
        return RoundRow(pile, SITE.zone, need, "", by, "", figure, drawn)

    return (
        row("K-03", "danger", 84.0),
        row("K-07", "now", 66.8),
        row("K-02", "soon", 61.5, Millis(NOW + 115 * MINUTE)),
        row("K-05", "check", None),
        row("K-01", "none", 52.0),
        row("K-09", "watch", 48.0),
    )
