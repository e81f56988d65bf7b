"""The turn was due and nobody turned the pile for as long as the guide calls overdue."""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.turn_family import judge_link
from alerts.conditions.verdict import Condition, Verdict
from alerts.snapshot import Snapshot


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    return judge_link(snapshot, "turn_overdue", "act", "due_and_not_turned")


CONDITION = Condition("turn_overdue", ("pile",), judge)
