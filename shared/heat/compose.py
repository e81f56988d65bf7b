"""One HeatReport from the sums of a pile: what every page, message and document shows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from shared.heat.ahead import outlook_now
from shared.heat.cautions import cautions
from shared.heat.coverage import coverage_of, read_by_hand
from shared.heat.curve import SensorLine
from shared.heat.cycles import counts, cycles_until, reported
from shared.heat.engine import PileHeat
from shared.heat.exposure import KNOWN, hours
from shared.heat.facts import PileFacts
from shared.heat.faults import fault_of
from shared.heat.found_turns import found_turns
from shared.heat.guide import Guide
from shared.heat.lethality import DOSE_UNIT
from shared.heat.moisture import moisture_now
from shared.heat.never_hot import never_hot
from shared.heat.outlook import NO_OUTLOOK
from shared.heat.phase import phase_now
from shared.heat.report import THRESHOLDS_C, Extreme, HeatReport, ReportTurn, SensorHeat
from shared.heat.risk import risk_reading
from shared.heat.rule_data import Rule
from shared.heat.rules import rule_reading
from shared.heat.screening import Reason
from shared.heat.stands import Stand
from shared.heat.turn_finder import FoundTurn
from shared.heat.turning import turn_outlook
from shared.heat.view import Which
from shared.readings import Curve, SensorKey
from shared.times import MINUTE, Millis

KEYS = {str(threshold_c): float(threshold_c) for threshold_c in THRESHOLDS_C}


def heat_report(
    facts: PileFacts,
    curves: Mapping[SensorKey, Curve],
    now: Millis,
    guide: Guide,
    rules: Iterable[Rule],
    max_gap_ms: int,
) -> HeatReport:
    """Worked out afresh from all readings up to ``now``. Curves may hold other quantities and places too."""
    said = replace(facts, notes=tuple(note for note in facts.notes if note.at <= now))
    return report_of(PileHeat(said, max_gap_ms, until(curves, now)), now, guide, rules)


def until(curves: Mapping[SensorKey, Curve], now: Millis) -> dict[SensorKey, Curve]:
    """The readings taken at ``now`` or before."""
    cut: dict[SensorKey, Curve] = {}
    for sensor, curve in curves.items():
        end = int(curve.at.searchsorted(now, "right"))
        cut[sensor] = Curve(curve.at[:end], curve.value[:end], curve.mark[:end])
    return cut


def report_of(heat: PileHeat, now: Millis, guide: Guide, rules: Iterable[Rule]) -> HeatReport:
    """``heat`` must hold no reading later than ``now``."""
    heat.refresh()
    facts, pile = heat.facts, heat.facts.pile
    cycles = cycles_until(heat, guide, now)
    since = cycles[-1].start
    phase = phase_now(heat, now, since=since)
    found = found_turns(heat, now) if pile.finished_at is None else []
    ahead = outlook_now(heat, found, now) if pile.finished_at is None else NO_OUTLOOK
    turn = turn_outlook(
        heat,
        guide,
        now,
        load=cycles[-1].load,
        counted=sum(counts(guide, cycle) for cycle in cycles[:-1]),
        over={"curing": "the heat is over", "finished": "the pile is finished"}.get(phase, ""),
        ahead=ahead,
    )
    risk = risk_reading(heat, now)
    share = never_hot(heat, guide, cycles)
    coverage = coverage_of(heat, now)
    return HeatReport(
        pile=pile.id or None,
        as_of=now,
        built_at=pile.built_at,
        phase=phase,
        sensors=[
            _sensor(stand, line, since, now, stand is heat.hand)
            for stand in heat.stands
            for line in _lines(stand)
        ],
        hottest=_extreme(heat, "hottest", now),
        coldest=_extreme(heat, "coldest", now),
        turns=_turns(facts, found, now),
        cycles=reported(guide, cycles),
        turn=turn,
        risk=risk,
        rules=[read_by_hand(rule_reading(rule, heat, now), coverage) for rule in rules],
        outlook=list(ahead.points),
        outlook_note=ahead.note,
        crossings=list(ahead.crossings),
        lethality_index=lethality_index(heat, now),
        never_hot_share=None if share.share is None else list(share.share),
        never_hot_note=share.note,
        cautions=cautions(risk.level, opens_pile=turn.state in {"due", "overdue"}),
        max_gap_minutes=heat.max_gap_ms / MINUTE,
        coverage=coverage,
        moisture=moisture_now(facts, now),
    )


def _turns(facts: PileFacts, found: Sequence[FoundTurn], now: Millis) -> list[ReportTurn]:
    told = [
        ReportTurn(id=t.id or None, at=t.at, source=t.source, state=t.state, note=t.note)
        for t in sorted(facts.turns, key=lambda t: (t.at, t.id))
        if t.at <= now
    ]
    told += [ReportTurn(at=one.at, source="detected", state="proposed", note=one.why) for one in found]
    return sorted(told, key=lambda turn: turn.at)


def _lines(stand: Stand) -> Sequence[SensorLine | None]:
    return list(stand.depths().values()) or [None]


def _sensor(
    stand: Stand, line: SensorLine | None, turned_at: Millis, now: Millis, by_hand: bool
) -> SensorHeat:
    if line is None:  # placed, and never heard
        nothing = dict.fromkeys(KEYS)
        return SensorHeat(
            probe=stand.probe, depth_cm=None, position=stand.position, zone=stand.zone, readings=0, suspect=0,
            first_at=None, last_at=None, last_c=None, peak_c=None, peak_at=None, hours_above=dict(nothing),
            longest_spell_hours=dict(nothing), gap_hours=None, left_out=stand.left_out("", now),
        )  # fmt: skip
    rows, key = line.rows, line.key
    first, last = rows.good_from(0), line.last_good(now)
    line.add_thresholds(tuple(KEYS.values()))
    spells = {text: line.spells[threshold_c] for text, threshold_c in KEYS.items()}
    heard, peak = last is not None, line.peak
    by_reason = {reason: n for reason, n in zip(Reason, rows.by_reason.tolist(), strict=True) if n}
    return SensorHeat(
        probe=key.probe,
        depth_cm=key.depth_cm,
        level=key.depth if key.depth_cm is None else None,
        position=stand.position,
        zone=stand.zone,
        readings=by_reason.pop(Reason.GOOD, 0),
        suspect=sum(by_reason.values()),
        suspect_reasons={reason.text: n for reason, n in by_reason.items()},
        first_at=None if first is None else Millis(int(rows.at[first])),
        last_at=None if last is None else Millis(last[0]),
        last_c=None if last is None else last[1],
        peak_c=None if peak is None else peak[0],
        peak_at=None if peak is None else Millis(peak[1]),
        hours_above={text: hours(one.total_ms) if heard else None for text, one in spells.items()},
        longest_spell_hours={text: hours(one.longest_ms) if heard else None for text, one in spells.items()},
        gap_hours=hours(_gap_ms(stand, line)) if heard else None,
        fault=None if by_hand else fault_of(line, stand.depths(), turned_at, now),
        left_out=stand.left_out(key.depth, now),
    )


def _gap_ms(stand: Stand, line: SensorLine) -> int:
    """Time between the first and the last good reading of each stay in the pile that no line covers."""
    reach = 0
    for start, end in stand.spans.tolist():
        first, last = line.rows.good_from(line.rows.index(start)), line.last_good(end - 1)
        if first is not None and last is not None and last[2] > first:
            reach += last[0] - int(line.rows.at[first])
    return reach - line.spells[KNOWN].total_ms


def _extreme(heat: PileHeat, which: Which, now: Millis) -> Extreme:
    peak, latest = heat.peak(which), heat.latest(which, now)
    sums = {text: heat.spells(threshold_c, which) for text, threshold_c in KEYS.items()}
    known = peak is not None
    return Extreme(
        now_c=None if latest is None else latest[0],
        peak_c=None if peak is None else peak[0],
        peak_at=None if peak is None else peak[1],
        hours_above={text: hours(total) if known else None for text, (total, _) in sums.items()},
        longest_spell_hours={text: hours(longest) if known else None for text, (_, longest) in sums.items()},
    )


def lethality_index(heat: PileHeat, now: Millis) -> float | None:
    """The least of the core sensors' own integrals of dt / D1(T): the material that got the least. None = unknown."""
    doses = [
        line.dose
        for stand in heat.stands
        if stand.zone == "core"
        for depth, line in stand.depths().items()
        if stand.left_out(depth, now) is None and line.peak is not None
    ]
    return min(doses) * DOSE_UNIT if doses else None
