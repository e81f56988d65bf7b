"""How far a record has come with each way of meeting a rule, by one choice of sensor."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from shared.heat.rule_clock import Run, Runs, most_within, reached, reached_within, without
from shared.heat.rule_data import Alternative, Inside, Rule
from shared.heat.rule_turns import Tally, TurnEvidence, tally
from shared.heat.rule_words import lasted, when
from shared.heat.spans import clipped, spent, total
from shared.heat.view import Stretches, Which
from shared.times import HOUR, Millis

if TYPE_CHECKING:
    from shared.heat.rules import Evidence, Record


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """One alternative (None = the rule asks for turns alone) and what is there of it."""

    alternative: Alternative | None
    contiguous: bool
    unknown: bool  # no line at all: nothing can be said
    held_ms: int = 0
    longest_ms: int = 0
    met_at: Millis | None = None
    broke_at: Millis | None = None
    broke_why: str = ""
    asks_turns: bool = False
    turns_recorded: int = 0
    tally: Tally = field(default_factory=Tally)
    turns_needed: int = 0
    short_inside: tuple[tuple[Inside, int], ...] = ()

    @property
    def turns(self) -> int:
        return len(self.tally.counted)

    @property
    def counts_ms(self) -> int:
        return self.longest_ms if self.contiguous else self.held_ms

    @property
    def share(self) -> float:
        """How near it is: the least of time and turns, each as a share of what is asked."""
        shares = [1.0]
        if self.alternative is not None:
            shares.append(min(1.0, self.counts_ms / self.alternative.need_ms))
        if self.turns_needed:
            shares.append(min(1.0, self.turns / self.turns_needed))
        return min(shares)


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    ways: tuple[Way, ...]
    added_up: Way | None  # the same without the word "contiguous", where the rule has it

    @property
    def best(self) -> Way:
        met = [way for way in self.ways if way.met_at is not None]
        if met:
            return min(met, key=lambda way: way.met_at or 0)
        return max(self.ways, key=lambda way: way.share)


def standing(rule: Rule, evidence: Evidence, record: Record, which: Which) -> Standing:
    view = _View(rule, evidence, record, which)
    if not rule.alternative:
        return Standing((view.turns_alone(),), None)
    ways = tuple(view.way(alternative, rule.contiguous) for alternative in rule.alternative)
    added_up = None
    if rule.contiguous and not any(alternative.including for alternative in rule.alternative):
        added_up = Standing(
            tuple(view.way(alternative, False) for alternative in rule.alternative), None
        ).best
    return Standing(ways, added_up)


class _View:
    def __init__(self, rule: Rule, evidence: Evidence, record: Record, which: Which) -> None:
        self.rule, self.record, self._evidence, self._which = rule, record, evidence, which
        self.known = self._so_far(evidence.known(rule.zone, which))

    def above(self, threshold_c: float) -> Stretches:
        return self._so_far(self._evidence.intervals(threshold_c, self._which, self.rule.zone))

    def _so_far(self, stretches: Stretches) -> Stretches:
        return clipped(stretches, int(stretches[0, 0]), self.record.as_of) if len(stretches) else stretches

    def held(self, alternative: Alternative) -> Stretches:
        stretches = self.above(alternative.at_least_c)
        if alternative.up_to_c is None:
            return stretches
        over = float(np.nextafter(alternative.up_to_c, np.inf))  # the edge itself is inside the band
        too_hot = self._evidence.intervals(over, "hottest", self.rule.zone)
        return without(stretches, too_hot)

    def turns_alone(self) -> Way:
        turns = self.tally(None, False)
        needed = self.rule.turns.at_least if self.rule.turns else 0
        return self._with_turns(Way(None, False, not len(self.known)), turns, turns.reached(needed))

    def way(self, alternative: Alternative, contiguous: bool) -> Way:
        held = self.held(alternative)
        runs = Runs(held, self._broken(held))
        longest_ms = int(runs.held_ms.max(initial=0))
        way = Way(alternative, contiguous, not len(self.known), total(held), longest_ms)
        if contiguous:
            return self._in_one_run(way, alternative, runs)
        turns = self.tally(held, False)
        met_at = self._both(reached(held, alternative.need_ms), self._enough(turns))
        return self._with_turns(way, turns, met_at)

    def _in_one_run(self, way: Way, alternative: Alternative, runs: Runs) -> Way:
        for run in runs.holding(alternative.need_ms):
            turns = self.tally(run.pieces, True)
            inner = [self._inside(run, alternative, part) for part in alternative.including]
            met_at = self._both(reached(run.pieces, alternative.need_ms), self._enough(turns), *inner)
            if met_at is not None:
                return self._with_turns(way, turns, met_at)
        return self._nearest_run(way, alternative, runs)

    def _nearest_run(self, way: Way, alternative: Alternative, runs: Runs) -> Way:
        """What the longest run has, and where it broke."""
        found = runs.longest()
        if found is None:
            short = tuple((part, 0) for part in alternative.including)
            return replace(self._with_turns(way, self.tally(None, False), None), short_inside=short)
        longest, following = found
        broke_at, broke_why = self._end_of(longest, following)
        most = [
            (part, most_within(self.above(part.at_least_c), alternative.need_ms, longest.start, longest.end))
            for part in alternative.including
        ]
        return replace(
            self._with_turns(way, self.tally(longest.pieces, True), None), broke_at=broke_at, broke_why=broke_why,
            short_inside=tuple((part, held) for part, held in most if held < part.need_ms),
        )  # fmt: skip

    def _inside(self, run: Run, alternative: Alternative, part: Inside) -> Millis | None:
        hot = self.above(part.at_least_c)
        return reached_within(hot, part.need_ms, alternative.need_ms, run.start, run.end)

    def tally(self, during: Stretches | None, one_run: bool) -> Tally:
        turning = self.rule.turns
        if turning is None:
            return Tally()
        hot, hold = turning.while_at_least_c, turning.hold_before
        return tally(
            turning,
            TurnEvidence(
                turns=self.record.turns, begin=self.record.built_at, known=self.known,
                hot=None if hot is None else self.above(hot),
                held=None if hold is None else self.above(hold.at_least_c),
                during=during, one_run=one_run, max_gap_ms=self.record.max_gap_ms,
            ),
        )  # fmt: skip

    def _enough(self, turns: Tally) -> Millis | None:
        return turns.reached(self.rule.turns.at_least) if self.rule.turns else Millis(-(2**62))

    @staticmethod
    def _both(*instants: Millis | None) -> Millis | None:
        there = [at for at in instants if at is not None]
        return max(there) if len(there) == len(instants) else None

    def _with_turns(self, way: Way, turns: Tally, met_at: Millis | None) -> Way:
        turning = self.rule.turns
        return replace(
            way, tally=turns, met_at=met_at, asks_turns=turning is not None,
            turns_recorded=len(self.record.turns), turns_needed=turning.at_least if turning else 0,
        )  # fmt: skip

    def _broken(self, held: Stretches) -> NDArray[np.bool_]:
        """Which of the times between two stretches break a run."""
        ends, starts = held[:-1, 1], held[1:, 0]
        at = np.array(self.record.turns, dtype=np.int64)
        turned = np.searchsorted(at, starts, side="right") > np.searchsorted(at, ends, side="left")
        lengths = starts - ends
        unknown = spent(self.known, starts) == spent(self.known, ends)
        paused = lengths <= round(self.rule.turn_pause_h * HOUR)
        unseen = unknown & (lengths <= round(self.rule.turn_gap_h * HOUR))
        broken: NDArray[np.bool_] = ~(turned & (paused | unseen))
        return broken

    def _end_of(self, run: Run, following: int | None) -> tuple[Millis | None, str]:
        """Where a run broke and why; nothing when it still goes on. ``following``: when the next run starts."""
        end = run.end
        if bool(((self.known[:, 0] <= end) & (self.known[:, 1] > end)).any()):
            return Millis(end), "the line left the asked range"
        later = self.known[self.known[:, 0] > end]
        if not len(later):
            return None, ""
        until = int(self.record.as_of) if following is None else following
        turned = [at for at in self.record.turns if end <= at <= until]
        if turned:
            return Millis(end), self._broken_by_turn(turned[0])
        return Millis(end), f"nothing is known for {lasted(int(later[0, 0]) - end)} after it"

    def _broken_by_turn(self, at: Millis) -> str:
        allowed = max(self.rule.turn_pause_h, self.rule.turn_gap_h)
        if not allowed:
            return f"the turn at {when(at)} ended the line, and this reading allows no pause"
        if self.rule.turn_pause_h:
            return f"after the turn at {when(at)} it was below or unknown for longer than {allowed:g} h"
        return f"after the turn at {when(at)} it was measured below, or unknown for longer than {allowed:g} h"
