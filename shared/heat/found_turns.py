"""Turns in the curves of a pile's core probes that nobody logged: proposed to a person, never counted.

Each probe is judged by itself; those that could see it decide: at least half of them must. What lies within twelve
hours of any turn on record is left alone: the log wins, and what was declined stays declined.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from itertools import chain

import numpy as np

from shared.heat.engine import PileHeat
from shared.heat.stands import Stand
from shared.heat.turn_finder import COOL_CORE_C, FoundTurn, find_turns
from shared.heat.turn_grid import Depths
from shared.heat.turn_signs import in_reach_of_weather
from shared.piles import Turn
from shared.times import DAY, HOUR, MINUTE, Millis

REACH_MS = 27 * HOUR  # the finder reads nothing further from a turn
ON_RECORD_WITHIN_MS = 12 * HOUR
SAME_TURN_MS = 6 * HOUR
COULD_SEE_MS = 2 * HOUR
LOOKED_BACK_DAYS = 14
ROUNDED_MS = 30 * MINUTE  # new readings are looked at twice an hour

Seen = tuple[list[FoundTurn], ...]


def found_turns(heat: PileHeat, now: Millis) -> list[FoundTurn]:
    """Of the last two weeks, oldest first."""
    stands = [stand for stand in heat.stands if stand.zone == "core" and stand is not heat.hand]
    newest = heat.newest_at()
    if newest is None or not stands:
        return []
    until = Millis(min(now, newest + ROUNDED_MS) // ROUNDED_MS * ROUNDED_MS)
    since = Millis(max(until - LOOKED_BACK_DAYS * DAY, heat.facts.pile.built_at))
    settled = (until - REACH_MS) // DAY  # of the days before this one nothing later has a say
    seen = [_day(heat, stands, Millis(day * DAY)) for day in range(since // DAY, settled)]
    seen.append(_lately(heat, stands, Millis(max(settled, since // DAY) * DAY), until))
    agreed = [
        one
        for one in _agreed(stands, [list(chain(*(day[row] for day in seen))) for row in range(len(stands))])
        if one.at >= since
    ]
    return [one for one in agreed if not _on_record(heat.facts.turns, one.at)]


def _day(heat: PileHeat, stands: Sequence[Stand], start: Millis) -> Seen:
    end = Millis(start + DAY)
    low, high = Millis(start - REACH_MS), Millis(end + REACH_MS)
    return heat.remembered("found turns", low, high, partial(_look, stands, (start, end), low, high))


def _lately(heat: PileHeat, stands: Sequence[Stand], start: Millis, until: Millis) -> Seen:
    low = Millis(start - REACH_MS)
    make = partial(_look, stands, (start, until), low, until)
    return heat.remembered("found turns lately", low, until, make, alone=True)


def _look(stands: Sequence[Stand], within: tuple[Millis, Millis], low: Millis, high: Millis) -> Seen:
    start, end = within
    return tuple(
        [one for one in find_turns(_depths(stand, low, high)) if start <= one.at < end] for stand in stands
    )


def _depths(stand: Stand, low: Millis, high: Millis) -> Depths:
    """All calibrated readings, also those that the sums leave out: the finder knows a pulled-out probe by them."""
    found = {}
    for depth, line in stand.depths().items():
        some = slice(line.rows.index(low), line.rows.index(high, "right"))
        found[depth] = (line.rows.at[some].copy(), line.rows.celsius[some].copy())
    return found


def _agreed(stands: Sequence[Stand], seen: Sequence[list[FoundTurn]]) -> list[FoundTurn]:
    """One of each group in time that at least half of the probes that could see it saw."""
    every = sorted(
        ((one, row) for row, some in enumerate(seen) for one in some), key=lambda pair: (pair[0].at, pair[1])
    )
    groups: list[list[tuple[FoundTurn, int]]] = []
    for one, row in every:
        if groups and one.at - groups[-1][0][0].at <= SAME_TURN_MS:
            groups[-1].append((one, row))
        else:
            groups.append([(one, row)])
    agreed = []
    for group in groups:
        saw = {row for _, row in group}
        largest = max(
            (one for one, _ in group), key=lambda one: (one.confidence == "likely", one.fall_c, -one.at)
        )
        could = saw | {row for row, stand in enumerate(stands) if _could_see(stand, largest.at)}
        if 2 * len(saw) >= len(could):
            agreed.append(largest)
    return agreed


def _could_see(stand: Stand, at: Millis) -> bool:
    """Whether the probe was in a warm pile and spoke on both sides, and not of one outer depth alone."""
    depths = stand.depths()
    if len(depths) == 1 and in_reach_of_weather(next(iter(depths))):
        return False
    for line in depths.values():
        before, after = line.good(at - COULD_SEE_MS, at), line.good(at, at + COULD_SEE_MS)
        if len(before[0]) and len(after[0]) and float(np.max(before[1])) >= COOL_CORE_C:
            return True
    return False


def _on_record(turns: Sequence[Turn], at: Millis) -> bool:
    return any(abs(turn.at - at) <= ON_RECORD_WITHIN_MS for turn in turns)
