"""Where a pile stands in its life, from the hottest core reading. Limits are common practice, no source."""

from __future__ import annotations

from shared.heat.report import Phase
from shared.heat.view import HeatView
from shared.times import DAY, HOUR, Millis

HOT_C = 45.0  # above about this the heat-loving organisms work
REHEAT_MS = 48 * HOUR  # a turned pile that still has food is hot again within 6 to 24 h; twice that is waited
COOL_MS = 7 * DAY  # below HOT_C for so long without a turn, and the active phase is over
NEAR_AIR_K = 10.0
NEAR_AIR_MS = 24 * HOUR


def phase_now(view: HeatView, now: Millis, *, since: Millis) -> Phase:
    """``since``: the last turn, or the build."""
    pile = view.facts.pile
    if pile.finished_at is not None and pile.finished_at <= now:
        return "finished"
    latest = view.latest("hottest", now)
    if latest is None:
        return "unknown"
    if latest[0] >= HOT_C:
        return "hot"
    peak = view.peak("hottest")
    if peak is None or peak[0] < HOT_C:
        return "heating"
    hot = view.intervals(HOT_C, "hottest")
    last_hot_at = max(peak[1], int(hot[-1, 1]) if len(hot) else 0)
    if last_hot_at <= since:
        return "heating" if now - since <= REHEAT_MS else "curing"
    cool_for = now - last_hot_at
    air = view.latest("hottest", now, "ambient")
    near_air = air is not None and latest[0] < air[0] + NEAR_AIR_K
    return "curing" if cool_for >= COOL_MS or (near_air and cool_for >= NEAR_AIR_MS) else "cooling"
