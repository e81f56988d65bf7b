"""Every kind of notice and its condition. The order is the order of need: the first of a pile's leads its message."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.conditions import (
    battery_low,
    cool_pile,
    cooled,
    fire_watch,
    morning_round,
    not_heating,
    probe_fault,
    probe_silent,
    rule_met,
    service_trouble,
    turn_due,
    turn_found,
    turn_overdue,
    turn_soon,
)
from alerts.conditions.verdict import Condition, Scope
from shared.episodes import SEVERITIES, Episode, NoticeKind

CONDITIONS: Mapping[NoticeKind, Condition] = {
    module.CONDITION.kind: module.CONDITION
    for module in (
        fire_watch,
        cool_pile,
        turn_overdue,
        turn_due,
        service_trouble,
        probe_silent,
        probe_fault,
        turn_soon,
        not_heating,
        cooled,
        turn_found,
        rule_met,
        battery_low,
        morning_round,
    )
}
_ORDER = {kind: place for place, kind in enumerate(CONDITIONS)}


def of_scope(scope: Scope) -> list[Condition]:
    return [condition for condition in CONDITIONS.values() if scope in condition.scopes]


def pressing(episode: Episode) -> tuple[int, int, str]:
    """Sort key: the most pressing first."""
    return (-SEVERITIES.index(episode.severity), _ORDER[episode.kind], episode.subject)
