"""The curve looks like a turn that nobody logged: please confirm or decline. It counts only once a person says so."""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.verdict import Condition, Verdict, known
from alerts.snapshot import Snapshot
from shared.times import DAY, iso


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    """One verdict for each proposal, named by its day: late readings may move it by minutes, and it is still the same."""
    if snapshot.report is None:
        return []
    return [
        Verdict(
            "bad",
            "curve_looks_like_a_turn",
            "info",
            iso(turn.at)[:10],
            known(turn_at=turn.at, note=turn.note or None),
            since=turn.at,
        )
        for turn in snapshot.report.turns
        if turn.state == "proposed"
    ]


CONDITION = Condition("turn_found", ("pile",), judge, tell_resolved=False, tell_old_ms=7 * DAY)
