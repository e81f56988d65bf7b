"""A turn will be due within the guide's notice time, so that it can be planned for daylight.

Where someone is called to the yard anyway, it opens for every pile that wants its turn before the next such round: one
walk, one message.
"""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.turn_family import judge_link
from alerts.conditions.verdict import Condition, Verdict, heat_figures, turn_anchor
from alerts.snapshot import Snapshot
from shared.times import HOUR, Millis

AHEAD_MS = 12 * HOUR  # from one round to the next
SLACK_MS = 3 * HOUR  # a turn foreseen a little later than it was does not take the word back


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    report = snapshot.report
    due_at = report.turn.due_at if report is not None and report.turn.state == "not_yet" else None
    if report is None or due_at is None or not 0 < due_at - snapshot.now <= AHEAD_MS + SLACK_MS:
        return judge_link(snapshot, "turn_soon", "info", "due_within_hours")
    figures, anchor = heat_figures(report), turn_anchor(report)
    (other,) = judge_link(snapshot, "turn_soon", "info", "due_within_hours")
    look = other.look_again_at
    if due_at - snapshot.now <= snapshot.ahead_ms:
        return [
            Verdict(
                "bad", "due_before_the_next_round", "info", figures=figures, anchor=anchor, look_again_at=look
            )
        ]
    return [Verdict("unknown", "between_thresholds", anchor=anchor, look_again_at=look)]


def due_ahead_at(snapshot: Snapshot) -> Millis | None:
    """When this pile wants a turn that nobody has to be told of yet."""
    turn = snapshot.report.turn if snapshot.report is not None else None
    return turn.due_at if turn is not None and turn.state == "not_yet" else None


CONDITION = Condition("turn_soon", ("pile",), judge, retell_after_ms=12 * HOUR, tell_resolved=False)
