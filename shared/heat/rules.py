"""How a rule reads a record: met, open, broken or not applicable, with all that the verdict rests on.

- met: somewhere in the record all that the rule asks was there; ``met_at`` is the first instant. It stays met.
- open: not there yet, and the pile goes on. A contiguous rule whose stretch broke is open again: a new stretch can
  begin as long as the pile is open; ``have["broke_at"]`` says where the best one ended.
- broken: can no longer be met as recorded: the pile is finished without it, or its mix was outside the rule's window.
- not applicable: no sensor stands in the zone that the rule asks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from shared.heat.facts import LeftOut
from shared.heat.report import RuleReading, RuleStatus
from shared.heat.rule_data import Rule
from shared.heat.rule_standing import Standing, Way, standing
from shared.heat.rule_words import STATUS_NOTE, asks, how_read, lasted, sensor_words, short_by, when
from shared.heat.view import AnyZone, HeatView, Stretches, Which
from shared.times import HOUR, Millis, iso


class Evidence(Protocol):
    """The part of HeatView that a rule asks."""

    def intervals(self, threshold_c: float, which: Which, zone: AnyZone | None = None) -> Stretches: ...
    def known(self, zone: AnyZone | None = None, which: Which = "coldest") -> Stretches: ...


@dataclass(frozen=True, slots=True)
class Record:
    """What a rule asks of beside the curves. ``turns``: those that count, ascending, none after ``as_of``.

    ``zones``: where sensors were placed. ``start_carbon_to_nitrogen``: of the mix as built, None = not known.
    ``left_out``: the sensors that the coldest does not ask, each with when and why, in words.
    """

    as_of: Millis
    built_at: Millis | None
    turns: tuple[Millis, ...]
    max_gap_ms: int
    zones: frozenset[str]
    finished_at: Millis | None = None
    start_carbon_to_nitrogen: float | None = None
    left_out: tuple[str, ...] = ()

    @classmethod
    def of(cls, view: HeatView, as_of: Millis) -> Record:
        facts = view.facts
        start = (facts.pile.mix or {}).get("carbon_to_nitrogen")
        return cls(
            as_of=as_of,
            built_at=facts.pile.built_at,
            turns=tuple(at for at in facts.turned_at if at <= as_of),
            max_gap_ms=view.max_gap_ms,
            zones=frozenset(view.zones()),
            finished_at=facts.pile.finished_at,
            start_carbon_to_nitrogen=float(start) if isinstance(start, int | float) else None,
            left_out=tuple(_left_out(out) for out in facts.left_out if out.span.start <= as_of),
        )


def _left_out(out: LeftOut) -> str:
    until = "on" if out.span.end is None else f"until {when(out.span.end)}"
    return f"{out.probe} {out.depth} from {when(out.span.start)} {until}: {out.reason}"


def rule_reading(rule: Rule, view: HeatView, as_of: Millis) -> RuleReading:
    """``rule`` read against all that is known of a pile at ``as_of``."""
    return read_rule(rule, view, Record.of(view, as_of))


def read_rule(rule: Rule, evidence: Evidence, record: Record) -> RuleReading:
    if not _has_sensor(rule, record):
        where = "in the pile" if rule.zone == "all" else f"in the zone {rule.zone!r}"
        missing = [f"no sensor is placed {where}, which this rule asks"]
        return _reading(rule, record, "not_applicable", have={}, missing=missing)
    judged = standing(rule, evidence, record, rule.sensor)
    other: Which = "hottest" if rule.sensor == "coldest" else "coldest"
    beside = standing(rule, evidence, record, other)
    status, missing = _verdict(rule, judged, record)
    have = _have(judged) | {other: _have(beside)}
    met_at = judged.best.met_at if status == "met" else None
    return _reading(rule, record, status, met_at=met_at, have=have, missing=missing)


def _has_sensor(rule: Rule, record: Record) -> bool:
    return bool(record.zones - {"ambient"}) if rule.zone == "all" else rule.zone in record.zones


def _verdict(rule: Rule, judged: Standing, record: Record) -> tuple[RuleStatus, list[str]]:
    window, start = rule.start_carbon_to_nitrogen, record.start_carbon_to_nitrogen
    if window is not None and start is not None and not window[0] <= start <= window[1]:
        return "broken", [
            f"the mix as built had a C:N of {start:g}:1, outside {window[0]:g}:1 to {window[1]:g}:1"
        ]
    if judged.best.met_at is not None:
        return "met", []
    missing = _missing(rule, judged.best)
    if record.finished_at is not None and record.finished_at <= record.as_of:
        return "broken", [f"the pile was finished at {when(record.finished_at)} without it", *missing]
    return "open", missing


def _missing(rule: Rule, way: Way) -> list[str]:
    missing = []
    who = sensor_words(rule.sensor, rule)
    if way.alternative is not None and way.unknown:
        missing.append(f"{asks(way.alternative)}: nothing is known yet of {who}")
    elif way.alternative is not None and way.counts_ms < way.alternative.need_ms:
        lacking = short_by(way.alternative.need_ms - way.counts_ms)
        there = "in the longest unbroken stretch" if rule.contiguous else "in all"
        missing.append(
            f"{lacking} more for {asks(way.alternative)}: {lasted(way.counts_ms)} of "
            f"{lasted(way.alternative.need_ms)} are there {there}, by {who}"
        )
    missing += [
        f"within one {way.alternative.length_text} stretch only {lasted(most)} of {part.length_text} at "
        f"{part.at_least_c:g} °C or more are there, by {who}"
        for part, most in way.short_inside
        if way.alternative is not None
    ]
    if way.broke_at is not None and missing:
        missing.append(f"the longest stretch ended at {when(way.broke_at)}: {way.broke_why}")
    if rule.turns is not None and way.turns < rule.turns.at_least:
        count = rule.turns.at_least - way.turns
        missing.append(
            f"{count} more turn{'s' * (count > 1)} that count{'s' * (count == 1)}: "
            f"{way.turns} of {rule.turns.at_least} are there"
        )
        missing += [f"the turn at {when(at)} does not count: {why}" for at, why in way.tally.refused]
    return missing


def _have(state: Standing) -> dict[str, Any]:
    best = state.best
    have = _way(best)
    if len(state.ways) > 1:
        have["alternatives"] = [_way(way) for way in state.ways]
    if best.tally.refused:
        have["turns_not_counted"] = [{"at": iso(at), "why": why} for at, why in best.tally.refused]
    if state.added_up is not None:
        have["if_not_contiguous"] = {"met_at": iso(state.added_up.met_at) if state.added_up.met_at else None}
    return have


def _way(way: Way) -> dict[str, Any]:
    figures: dict[str, Any] = {"met_at": None if way.met_at is None else iso(way.met_at)}
    if way.alternative is not None:
        figures["at_least_c"] = way.alternative.at_least_c
        figures["hours"] = None if way.unknown else way.counts_ms / HOUR  # what need["hours"] is held against
        figures["hours_in_all"] = None if way.unknown else way.held_ms / HOUR
        figures["longest_stretch_hours"] = None if way.unknown else way.longest_ms / HOUR
        figures["broke_at"] = None if way.broke_at is None else iso(way.broke_at)
    if way.asks_turns:
        figures["turns"] = way.turns
        figures["turns_recorded"] = way.turns_recorded
    return figures


def _need(rule: Rule) -> dict[str, Any]:
    ways: list[dict[str, Any]] = [
        {"at_least_c": way.at_least_c, "hours": way.need_ms / HOUR}
        | ({"up_to_c": way.up_to_c} if way.up_to_c is not None else {})
        | (
            {"of_which": [{"at_least_c": p.at_least_c, "hours": p.need_ms / HOUR} for p in way.including]}
            if way.including
            else {}
        )
        for way in rule.alternative
    ]
    need: dict[str, Any] = {"sensor": rule.sensor, "zone": rule.zone}
    if ways:
        need |= ways[0] if len(ways) == 1 else {"any_of": ways}
        need["contiguous"] = rule.contiguous
    if rule.turns is not None:
        need["turns"] = rule.turns.at_least
        for name in ("while_at_least_c", "spacing_days"):
            if (value := getattr(rule.turns, name)) is not None:
                need[f"turns_{name}"] = value
        if (hold := rule.turns.hold_before) is not None:
            need["before_each_turn"] = {
                "at_least_c": hold.at_least_c, "hours": hold.need_ms / HOUR, "contiguous": hold.contiguous
            }  # fmt: skip
    if rule.start_carbon_to_nitrogen is not None:
        need["start_carbon_to_nitrogen"] = list(rule.start_carbon_to_nitrogen)
    return need


_SAYS: dict[RuleStatus, str] = {
    "met": "This record supports",
    "open": "This record does not yet support",
    "broken": "This record does not support",
    "not_applicable": "This record cannot be read against",
}


def _reading(
    rule: Rule, record: Record, status: RuleStatus, *,
    met_at: Millis | None = None, have: dict[str, Any], missing: list[str],
) -> RuleReading:  # fmt: skip
    not_judged = list(rule.not_judged)
    window, start = rule.start_carbon_to_nitrogen, record.start_carbon_to_nitrogen
    if window is not None and start is None:
        not_judged.append(f"the C:N of the mix as built, {window[0]:g}:1 to {window[1]:g}:1")
    words = (
        f"{_SAYS[status]} “{rule.title}” as we read it ({rule.edition}; {STATUS_NOTE[rule.source_status]}). "
        f"{how_read(rule, record.max_gap_ms)}"
    )
    if record.left_out:
        words += f" Left out of the coldest, as someone stated: {'; '.join(record.left_out)}."
    if rule.note:
        words += f" {rule.note}"
    if not_judged:
        words += f" Not judged here: {'; '.join(not_judged)}."
    return RuleReading(
        id=rule.id, title=rule.title, edition=rule.edition, status=status, met_at=met_at, have=have,
        need=_need(rule), reading=words, missing=missing, source=rule.source, source_status=rule.source_status,
    )  # fmt: skip
