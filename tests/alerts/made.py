"""Short ways to write down reports, probes and snapshots for the tests of alerts."""

from __future__ import annotations

from typing import Any

from alerts.snapshot import PlacedProbe, SiteRadio, Snapshot
from shared.heat.catalogue import Catalogue
from shared.heat.report import (
    THRESHOLDS_C,
    Extreme,
    HeatCycle,
    HeatReport,
    Phase,
    ReportTurn,
    Risk,
    RiskLevel,
    RuleReading,
    RuleStatus,
    RungHours,
    SensorHeat,
    TurnOutlook,
    TurnStateNow,
)
from shared.piles import Pile, Placement, Site, Turn
from shared.probes import Probe
from shared.settings import BatteryCells
from shared.times import DAY, HOUR, MINUTE, Millis, Span, parse_time

NOW = parse_time("2026-11-25T12:00:00Z")
SITE = Site("larkfield", "Larkfield Yard", "Europe/Dublin")
GUIDE = Catalogue.load().default_guide
NO_HOURS: dict[str, float | None] = {str(threshold): None for threshold in THRESHOLDS_C}


def a_pile(peg: str = "K-01", *, built_at: int = NOW - 10 * DAY, **more: Any) -> Pile:
    fields = {"site": SITE.slug} | more
    return Pile(id=f"pile-{peg}", peg=peg, built_at=Millis(built_at), **fields)


def a_sensor(probe: str = "p-01", **more: Any) -> SensorHeat:
    fields: dict[str, Any] = {
        "probe": probe,
        "depth_cm": 45.0,
        "position": "middle",
        "zone": "core",
        "readings": 100,
        "suspect": 0,
        "first_at": NOW - 10 * DAY,
        "last_at": NOW,
        "last_c": 60.0,
        "peak_c": 64.0,
        "peak_at": NOW - DAY,
        "hours_above": NO_HOURS,
        "longest_spell_hours": NO_HOURS,
        "gap_hours": 0.0,
    }
    return SensorHeat(**(fields | more))


def a_rule(id_: str, status: RuleStatus, met_at: int | None = None) -> RuleReading:
    return RuleReading(
        id=id_,
        title=f"Rule {id_}",
        edition="2026",
        status=status,
        met_at=None if met_at is None else Millis(met_at),
        have={},
        need={},
        reading="as its text reads",
        missing=[],
    )


def a_report(
    pile: Pile,
    now: int = NOW,
    *,
    hottest_c: float | None = 60.0,
    state: TurnStateNow = "not_yet",
    load: float | None = 0.5,
    due_at: int | None = None,
    risk: RiskLevel = "none",
    phase: Phase = "hot",
    peak_c: float | None = 64.0,
    peak_at: int | None = None,
    turned: tuple[int, ...] = (),
    proposed: tuple[int, ...] = (),
    counted: int = 0,
    sensors: list[SensorHeat] | None = None,
    rules: list[RuleReading] | None = None,
    rungs: list[RungHours] | None = None,
    outlook: tuple[int, int] | None = None,
    measured_at: int | None = None,
) -> HeatReport:
    at = Millis(now)
    measured = Millis(now if measured_at is None else measured_at)
    turns = [ReportTurn(at=Millis(t), source="logged", state="confirmed") for t in turned]
    turns += [ReportTurn(at=Millis(t), source="detected", state="proposed") for t in proposed]
    extreme = Extreme(
        now_c=hottest_c,
        peak_c=peak_c,
        peak_at=Millis(now - DAY if peak_at is None else peak_at) if peak_c is not None else None,
        hours_above=NO_HOURS,
        longest_spell_hours=NO_HOURS,
    )
    cycle = HeatCycle(
        from_=pile.built_at, to=at, hours_above_55=40.0, peak_c=peak_c, load=load, counts=None, rungs=rungs
    )
    return HeatReport(
        pile=pile.id,
        as_of=at,
        built_at=pile.built_at,
        phase=phase,
        sensors=[a_sensor(last_at=measured, last_c=hottest_c)] if sensors is None else sensors,
        hottest=extreme,
        coldest=extreme,
        turns=sorted(turns, key=lambda turn: turn.at),
        cycles=[cycle],
        turn=TurnOutlook(
            guide=GUIDE.id,
            load=load,
            due_at=None if due_at is None else Millis(due_at),
            earliest=None if outlook is None else Millis(outlook[0]),
            latest=None if outlook is None else Millis(outlook[1]),
            counted=counted,
            required=3,
            state=state,
        ),
        risk=Risk(level=risk, reasons=["said so"] if risk != "none" else [], since=None),
        rules=rules or [],
        outlook=[],
        crossings=[],
        lethality_index=None,
        never_hot_share=None,
        cautions=[],
        max_gap_minutes=180,
    )


def a_probe(
    name: str = "p-01",
    *,
    heard_at: int | None = NOW,
    interval_ms: int | None = 10 * MINUTE,
    battery_percent: float | None = None,
    battery_volt: float | None = None,
    placed_from: int = NOW - 10 * DAY,
    pile_id: str = "pile-K-01",
) -> PlacedProbe:
    placement = Placement(f"pl-{name}", SITE.slug, name, pile_id, Span(Millis(placed_from)), "middle")
    probe = Probe(
        f"id-{name}",
        SITE.slug,
        name,
        last_heard_at=None if heard_at is None else Millis(heard_at),
        interval_ms=interval_ms,
        battery_percent=battery_percent,
        battery_volt=battery_volt,
    )
    return PlacedProbe(placement, probe)


def a_snapshot(
    now: int = NOW,
    *,
    pile: Pile | None = None,
    probes: tuple[PlacedProbe, ...] = (),
    turns: tuple[Turn, ...] = (),
    radio: SiteRadio | None = None,
    report: HeatReport | None = None,
    cells: BatteryCells | None = None,
    ahead_ms: int = 0,
    **about: Any,
) -> Snapshot:
    """A snapshot of a pile; what is not named is that of a hot pile in which nothing is the matter."""
    pile = pile or a_pile()
    return Snapshot(
        Millis(now),
        site=SITE,
        pile=pile,
        report=report or a_report(pile, now, **about),
        probes=probes,
        turns=turns,
        radio=radio,
        guide=GUIDE,
        cells=cells,
        ahead_ms=ahead_ms,
    )


__all__ = ["DAY", "GUIDE", "HOUR", "MINUTE", "NOW", "SITE"]
