"""A turn will be due within the guide's notice time, so that it can be planned for daylight."""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.turn_family import judge_link
from alerts.conditions.verdict import Condition, Verdict
from alerts.snapshot import Snapshot
from shared.times import HOUR


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    return judge_link(snapshot, "turn_soon", "info", "due_within_hours")


CONDITION = Condition("turn_soon", ("pile",), judge, retell_after_ms=12 * HOUR, tell_resolved=False)
