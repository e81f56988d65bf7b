"""A probe's battery runs low. Only percent is judged: what a voltage means depends on the cell, which nobody told us."""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.verdict import Condition, Verdict
from alerts.snapshot import PlacedProbe, Snapshot
from shared.times import DAY, HOUR

LOW_PERCENT, EMPTY_PERCENT, CLOSE_PERCENT = 15.0, 5.0, 30.0  # common practice, no source


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    if snapshot.pile is None:
        return []
    return [_judge_one(placed) for placed in snapshot.probes]


def _judge_one(placed: PlacedProbe) -> Verdict:
    percent = placed.probe.battery_percent if placed.probe else None
    if percent is None:
        return Verdict("unknown", "no_percentage", subject=placed.name)
    figures = {"probe": placed.name, "battery_percent": percent, "limit_percent": LOW_PERCENT}
    if percent <= EMPTY_PERCENT:
        return Verdict("bad", "at_or_under_5_percent", "act", placed.name, figures)
    if percent <= LOW_PERCENT:
        return Verdict("bad", "at_or_under_15_percent", "info", placed.name, figures)
    if percent < CLOSE_PERCENT:
        return Verdict("unknown", "between_thresholds", subject=placed.name)
    return Verdict("ok", "charged", subject=placed.name, figures=figures)


CONDITION = Condition(
    "battery_low", ("pile",), judge, close_hold_ms=1 * HOUR, retell_after_ms=7 * DAY, tell_resolved=False
)
