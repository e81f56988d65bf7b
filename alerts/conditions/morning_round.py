"""The digest of the open piles at a local time of the person's choosing. No open pile, no digest."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from alerts.conditions.verdict import Condition, Verdict
from alerts.snapshot import Snapshot

LISTED = 50  # rows kept with the notice; the page has them all


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    if not snapshot.round:
        return [Verdict("ok", "no_open_piles", quiet=True)]
    needs = [row.need for row in snapshot.round]
    figures = {"piles": len(needs), "needing": sum(need != "none" for need in needs), "rows": _rows(snapshot)}
    return [Verdict("bad", "morning", "info", figures=figures)]


def _rows(snapshot: Snapshot) -> list[dict[str, Any]]:
    return [
        {
            "peg": row.pile.peg,
            "site": row.pile.site,
            "need": row.need,
            "hottest_c": row.figure.celsius,
            "by": row.by,
        }
        for row in snapshot.round[:LISTED]
    ]


CONDITION = Condition("morning_round", ("morning",), judge, tell_resolved=False)
