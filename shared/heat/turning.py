"""The turning guide's answer: how much of the allowed time at this heat is used up, and when a turn is due.

Turn load L = integral of dt / hold(T) over the hottest core reading since the last turn (or the build); due at L = 1.
``hold`` is the guide's table, so L is a sum of times between rungs: exact, in whole numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from shared.heat.due import Due, due_by_outlook
from shared.heat.guide import Guide
from shared.heat.outlook import NO_OUTLOOK, Outlook
from shared.heat.report import TurnOutlook, TurnStateNow
from shared.heat.spans import clipped, spent, total
from shared.heat.view import HeatView, Stretches
from shared.times import HOUR, Millis


@dataclass(frozen=True, slots=True)
class Load:
    """``share`` of the allowed time used within a stretch of time, and the instant at which it came to 1."""

    share: Fraction
    reached_at: Millis | None


def load_between(view: HeatView, guide: Guide, after: int, start: Millis, end: Millis) -> Load | None:
    """The load from ``start`` to ``end``; readings later than ``after`` have a say. None = the core is not known."""
    hottest = view.peak("hottest", after=Millis(after), until=end)
    if hottest is None:
        return None
    paces = _paces(view, guide, start, end)
    share = sum((pace * total(stretches) for stretches, pace in paces), Fraction(0))
    reached = _reached(paces) if share >= 1 else None
    at_once = _at_once(view, guide, hottest[0], (Millis(after), start, end))
    if at_once is not None and (reached is None or at_once <= reached):
        return Load(max(share, Fraction(1)), at_once)
    return Load(share, reached)


def _paces(view: HeatView, guide: Guide, start: Millis, end: Millis) -> list[tuple[Stretches, Fraction]]:
    """For each rung: when the hottest is at or over it, and by how much that speeds up the load (per ms)."""
    paces: list[tuple[Stretches, Fraction]] = []
    before = Fraction(0)
    for rung in guide.rungs:
        if rung.hold_h == 0:
            break
        pace = 1 / (Fraction(rung.hold_h) * HOUR)
        paces.append((clipped(view.intervals(rung.from_c, "hottest"), start, end), pace - before))
        before = pace
    return paces


def _reached(paces: list[tuple[Stretches, Fraction]]) -> Millis:
    """The first whole ms at which the load is 1 or more; it is known to get there."""
    whole = math.lcm(*(pace.denominator for _, pace in paces))  # the load in whole parts of 1 / whole
    steps = [int(pace * whole) for _, pace in paces]
    edges: NDArray[np.int64] = np.unique(np.concatenate([stretches.ravel() for stretches, _ in paces]))
    times = [spent(stretches, edges) for stretches, _ in paces]

    def load(row: int) -> int:
        return sum(step * int(column[row]) for step, column in zip(steps, times, strict=True))

    low, high = 0, len(edges) - 1  # the load at ``low`` is under 1, at ``high`` it is not
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if load(middle) < whole else (low, middle)
    gained, lacking = load(high) - load(low), whole - load(low)
    length = int(edges[high] - edges[low])
    return Millis(int(edges[low]) - (-lacking * length // gained))  # rounded up


def _at_once(
    view: HeatView, guide: Guide, peak_c: float, during: tuple[Millis, Millis, Millis]
) -> Millis | None:
    """When a rung that holds for no time at all was first reached."""
    now_c = min((rung.from_c for rung in guide.rungs if rung.hold_h == 0), default=None)
    if now_c is None or peak_c < now_c:
        return None
    after, start, end = during
    over = clipped(view.intervals(now_c, "hottest"), start, end)
    firsts = [int(over[0, 0])] if len(over) else []
    for _, _, at, celsius in view.readings(after=after, until=end):
        hot = np.flatnonzero(celsius >= now_c)
        firsts += [int(at[hot[0]])] if len(hot) else []
    return Millis(min(firsts))


def turn_outlook(
    view: HeatView,
    guide: Guide,
    now: Millis,
    *,
    load: Load | None,
    counted: int,
    over: str = "",
    ahead: Outlook = NO_OUTLOOK,
) -> TurnOutlook:
    """``load``: since the last turn or the build. ``over``: why no turn is wanted any more, "" = it is.

    ``ahead``: what the hottest will do; without it the hottest stays as it is.
    """
    state: TurnStateNow
    due_at: Millis | None = None
    earliest: Millis | None = None
    latest: Millis | None = None
    if load is None:
        state, why = "none", "nothing is known of the core since the last turn or the build"
    elif load.reached_at is not None:
        due_at = load.reached_at
        state, why = _past_due(guide, now, load.share, due_at)
    else:
        due = _as_seen(view, guide, now, load, ahead)
        due_at = _going_on(view, guide, now, load) if due is None else due.due_at
        state, why = "not_yet", "the load has not come to 1"
        if due is not None:
            earliest, latest = due.earliest, due.latest
        if due_at is not None:
            why = "at the present temperature" if due is None else "as the outlook goes"
            state = "soon" if due_at - now <= guide.soon_h * HOUR else "not_yet"
    if over:
        state, why = "none", over
        due_at = earliest = latest = None
    return TurnOutlook(
        guide=guide.id,
        load=None if load is None else float(load.share),
        due_at=due_at,
        earliest=earliest,
        latest=latest,
        counted=counted,
        required=guide.required_turns,
        state=state,
        why=why,
    )


def _past_due(guide: Guide, now: Millis, share: Fraction, due_at: Millis) -> tuple[TurnStateNow, str]:
    if guide.overdue_load is not None and share >= Fraction(guide.overdue_load):
        return "overdue", f"the load is over {guide.overdue_load:g}"
    if guide.overdue_h is not None and now - due_at >= guide.overdue_h * HOUR:
        return "overdue", f"due for {guide.overdue_h:g} h or longer"
    return "due", "the load has come to 1"


def _as_seen(view: HeatView, guide: Guide, now: Millis, load: Load, ahead: Outlook) -> Due | None:
    """By the outlook; None where there is none, or where the hottest is not known now."""
    latest = view.latest("hottest", now)
    if latest is None:
        return None
    return due_by_outlook(float(load.share), guide, ahead, latest[0], now)


def _going_on(view: HeatView, guide: Guide, now: Millis, load: Load) -> Millis | None:
    """When the load comes to 1 if the hottest stays as it was last read; None = it does not, or is not known."""
    latest = view.latest("hottest", now)
    hold_h = None if latest is None else guide.hold_h(latest[0])
    if latest is None or hold_h is None:
        return None
    read_at = now - latest[1]
    return Millis(read_at + round((1 - load.share) * Fraction(hold_h) * HOUR))
