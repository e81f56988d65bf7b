"""The outlook of a pile from its engine: half-hour means of the core, kept day by day like its sums."""

from __future__ import annotations

from functools import partial

from shared.heat.engine import PileHeat
from shared.heat.outlook import Day, Outlook, day_means
from shared.heat.turn_finder import FoundTurn
from shared.times import DAY, Millis


def outlook_now(heat: PileHeat, found: list[FoundTurn], now: Millis) -> Outlook:
    """Begins anew at every turn on record, and at those found in the curve that look likely; the errors made before
    stay known, by the hours since the turn."""
    built_at = heat.facts.pile.built_at
    turns = tuple(sorted({*heat.facts.turned_at, *(one.at for one in found if one.confidence == "likely")}))

    by_day: dict[int, tuple[int, ...]] = {}
    for at in turns:
        by_day[at // DAY] = (*by_day.get(at // DAY, ()), at)

    def day_of(day: int) -> Day:
        start, end = Millis(day * DAY), Millis((day + 1) * DAY - 1)
        within = by_day.get(day, ())
        name = f"half hours {within}" if within else "half hours"
        return heat.remembered(name, start, end, partial(_means, heat, day, within, Millis(start - 1), end))

    return heat.outlook_state.look(day_of, turns, built_at, now)


def _means(heat: PileHeat, day: int, turns: tuple[int, ...], after: Millis, until: Millis) -> Day:
    return day_means(heat.readings("core", after=after, until=until), day, turns)
