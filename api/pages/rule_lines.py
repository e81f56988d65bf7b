"""How far a record is along each rule, as bars and words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from shared.heat.report import HeatReport, RuleReading
from shared.units import Units, threshold_text


@dataclass(frozen=True, slots=True)
class Bar:
    words: str
    share: float  # 0 to 1


@dataclass(frozen=True, slots=True)
class RuleLine:
    rule: RuleReading
    bars: tuple[Bar, ...]


def rule_lines(report: HeatReport, units: Units) -> list[RuleLine]:
    return [RuleLine(rule, tuple(_bars(rule.have, rule.need, units))) for rule in report.rules]


def _bars(have: Mapping[str, Any], need: Mapping[str, Any], units: Units) -> list[Bar]:
    bars = []
    wanted = _way_of(have, need)
    if wanted is not None:
        hours, needed = have.get("hours"), float(wanted["hours"])
        heat = threshold_text(float(wanted["at_least_c"]), units)
        there = "not known" if hours is None else f"{_cut(hours)} h"
        bars.append(Bar(f"{there} of {needed:g} h at {heat} or more", min(1.0, (hours or 0.0) / needed)))
    if "turns" in need:
        turns = have.get("turns") or 0
        bars.append(Bar(f"{turns} of {need['turns']} turns that count", min(1.0, turns / need["turns"])))
    return bars


def _way_of(have: Mapping[str, Any], need: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """What the rule asks on the way that the record is furthest along."""
    if "hours" in need:
        return need
    for way in need.get("any_of", ()):
        if way["at_least_c"] == have.get("at_least_c"):
            found: Mapping[str, Any] = way
            return found
    return None


def _cut(hours: float) -> str:
    """Never more than is there."""
    return f"{int(hours * 10) / 10:g}"
