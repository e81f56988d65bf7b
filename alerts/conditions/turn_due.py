"""The turn load since the last turn has reached 1: the pile has been as hot for as long as the guide allows."""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.turn_family import judge_link
from alerts.conditions.verdict import Condition, Verdict
from alerts.snapshot import Snapshot


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    return judge_link(snapshot, "turn_due", "act", "load_reached_1")


CONDITION = Condition("turn_due", ("pile",), judge)
