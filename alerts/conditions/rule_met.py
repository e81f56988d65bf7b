"""The record supports a rule that was chosen for this pile. Only chosen rules speak; the report shows all."""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.verdict import Condition, Verdict, known
from alerts.snapshot import Snapshot
from shared.times import DAY


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    if snapshot.report is None or snapshot.pile is None:
        return []
    return [
        Verdict(
            "bad",
            "record_supports_rule",
            "info",
            rule.id,
            known(rule=rule.title, edition=rule.edition, met_at=rule.met_at),
            since=rule.met_at,
        )
        if rule.status == "met"
        else Verdict("ok", f"now_{rule.status}", subject=rule.id, figures=known(rule=rule.title), undone=True)
        for rule in snapshot.report.rules
        if rule.id in snapshot.pile.rule_ids
    ]


CONDITION = Condition("rule_met", ("pile",), judge, tell_old_ms=3 * DAY)
