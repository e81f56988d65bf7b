"""How long a message about a pile waits for the next one about the same site, so that both are one."""

from __future__ import annotations

from alerts.policy import OVER
from alerts.policy_times import ROUND_MS, Quiet, free_at
from shared.episodes import NoticeKind
from shared.notices import Notice
from shared.people import Person
from shared.times import HOUR, Millis

CAN_WAIT: frozenset[NoticeKind] = frozenset(
    {
        "turn_soon",
        "not_heating",
        "cooled",
        "rule_met",
        "turn_found",
        "battery_low",
        "probe_silent",
        "probe_fault",
    }
)
"""Nothing is lost when these come a little later; the silence or the fault of a probe in a pile that runs hot is."""

PROBES: frozenset[NoticeKind] = frozenset({"probe_silent", "probe_fault"})
HOT_C = 65.0  # useful microbes are being lost from here on: Cornell Composting, "Compost Physics"
TO_PLAN_MS = 2 * HOUR  # before a turn is due its message waits for no other
GOOD_NEWS_MS = (
    12 * HOUR
)  # that a probe is well again asks nothing of anyone; in a simulated month 13 of 15 were idle


def goes_at(row: Notice, last: Millis | None, person: Person, quiet: Quiet) -> int:
    """When ``row`` goes at the latest; ``last``: when the same way last had a message about the site.

    It does not wait into quiet hours or hours off duty: then it goes when they end, or, with a turn to be planned
    before that, at once.
    """
    at_once = max(row.at, row.not_before or 0)
    if not _can_wait(row):
        return at_once
    wanted = _latest(row) if _good_news(row) else min(_latest(row), (last or -ROUND_MS) + ROUND_MS)
    if wanted <= at_once:
        return at_once
    free = free_at(person, quiet, Millis(wanted))
    due_at = row.figures.get("due_at")
    return at_once if due_at is not None and free > max(wanted, int(due_at) - TO_PLAN_MS) else free


def _can_wait(row: Notice) -> bool:
    if row.kind not in CAN_WAIT or (row.kind == "rule_met" and row.reason in OVER):
        return False
    hot = (row.figures.get("hottest_c") or 0.0) >= HOT_C
    return not (hot and row.kind in PROBES and row.reason not in OVER)


def _good_news(row: Notice) -> bool:
    return row.kind in PROBES and row.reason in OVER


def _latest(row: Notice) -> int:
    """Until when it may wait for another."""
    due_at = row.figures.get("due_at")
    if due_at is not None:
        return int(due_at) - TO_PLAN_MS
    return row.at + (GOOD_NEWS_MS if _good_news(row) else ROUND_MS)
