"""The pile's life between turns: how hot each cycle was, and whether the turn that ended it counts."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from itertools import pairwise

from shared.heat.engine import PileHeat
from shared.heat.exposure import hours
from shared.heat.guide import Guide
from shared.heat.report import HeatCycle, RungHours
from shared.heat.spans import clipped, total
from shared.heat.turning import Load, load_between
from shared.times import Millis


@dataclass(frozen=True, slots=True)
class Cycle:
    """``hours_above``: the hottest core sensor at or over what the guide counts; None = unknown."""

    start: Millis
    end: Millis
    hours_above_55: float | None
    hours_above: float | None
    peak_c: float | None
    load: Load | None
    rungs: tuple[RungHours, ...] | None


def cycles_until(heat: PileHeat, guide: Guide, now: Millis) -> list[Cycle]:
    """From the build over every turn to ``now`` (or the finish); the last one is still running."""
    facts = heat.facts
    end = now if facts.pile.finished_at is None else min(now, facts.pile.finished_at)
    edges = [facts.pile.built_at, *(at for at in facts.turned_at if facts.pile.built_at < at <= end), end]
    name = f"cycle {guide.id}"
    ended = [
        heat.remembered(name, start, stop, partial(_cycle, heat, guide, start, stop))
        for start, stop in pairwise(edges[:-1])
    ]
    return [*ended, _cycle(heat, guide, edges[-2], Millis(max(end, edges[-2])))]


def _cycle(heat: PileHeat, guide: Guide, start: Millis, end: Millis) -> Cycle:
    first = start - 1 if start == heat.facts.pile.built_at else start  # a reading at a turn is before it
    peak = heat.peak("hottest", after=Millis(first), until=end)
    known = peak is not None

    def above(threshold_c: float) -> float | None:
        return hours(total(clipped(heat.intervals(threshold_c, "hottest"), start, end))) if known else None

    return Cycle(
        start=start,
        end=end,
        hours_above_55=above(55.0),
        hours_above=above(guide.counts_above_c),
        peak_c=None if peak is None else peak[0],
        load=load_between(heat, guide, first, start, end),
        rungs=_rungs(heat, guide, start, end) if known else None,
    )


def _rungs(heat: PileHeat, guide: Guide, start: Millis, end: Millis) -> tuple[RungHours, ...]:
    over = [total(clipped(heat.intervals(rung.from_c, "hottest"), start, end)) for rung in guide.rungs]
    return tuple(
        RungHours(from_c=rung.from_c, hold_h=rung.hold_h, hours=hours(ms - hotter), hours_over=hours(ms))
        for rung, ms, hotter in zip(guide.rungs, over, [*over[1:], 0], strict=True)
        if ms > 0
    )


def counts(guide: Guide, cycle: Cycle) -> bool:
    return guide.turn_counts(cycle.hours_above, None if cycle.load is None else float(cycle.load.share))


def reported(guide: Guide, cycles: list[Cycle]) -> list[HeatCycle]:
    last = cycles[-1]
    return [
        HeatCycle(
            from_=cycle.start,
            to=cycle.end,
            hours_above_55=cycle.hours_above_55,
            peak_c=cycle.peak_c,
            load=None if cycle.load is None else float(cycle.load.share),
            counts=None if cycle is last else counts(guide, cycle),
            why="still running" if cycle is last else _why(guide, cycle),
            rungs=None if cycle.rungs is None else list(cycle.rungs),
        )
        for cycle in cycles
    ]


def _why(guide: Guide, cycle: Cycle) -> str:
    if cycle.hours_above is None or cycle.load is None:
        return "nothing is known of the core in this cycle, so its turn does not count"
    spoken = (
        f"turned after {cycle.hours_above:.1f} h at or over {guide.counts_above_c:g} °C, turn load "
        f"{float(cycle.load.share):.2f}"
    )
    if counts(guide, cycle):
        return f"{spoken}: the turn counts"
    wanted = [f"{guide.counts_after_h:g} h"]
    if guide.counts_at_load is not None:
        wanted.append(f"a load of {guide.counts_at_load:g}")
    return f"{spoken}: too early, the guide counts a turn after {' or '.join(wanted)}"
