"""The curve looks like a turn that nobody logged: please confirm or decline. It counts only once a person says so."""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.verdict import Condition, Verdict, known
from alerts.snapshot import Snapshot
from shared.times import DAY, HOUR


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    """One verdict for the pile: about the newest proposal, so that one that late readings move is still the same."""
    report = snapshot.report
    if report is None:
        return []
    proposed = [turn for turn in report.turns if turn.state == "proposed"]
    if not proposed:
        return [Verdict("ok", "answered", quiet=True, hold_ms=0)]
    newest = max(proposed, key=lambda turn: turn.at)
    figures = known(turn_at=newest.at, note=newest.note or None, proposals=len(proposed))
    return [Verdict("bad", "curve_looks_like_a_turn", "info", "", figures, since=newest.at)]


CONDITION = Condition(
    "turn_found", ("pile",), judge, retell_after_ms=2 * HOUR, tell_resolved=False, tell_old_ms=7 * DAY
)
