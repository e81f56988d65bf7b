"""How many turns the finder finds, how many it invents, and how long it takes to say so."""

from __future__ import annotations

from dataclasses import dataclass

from shared.heat.turn_finder import find_turns
from shared.times import HOUR, MINUTE
from tests.evaluate.sets import Points, Record

NEAR_MS = 6 * HOUR  # a find this near to a turn is that turn, once
STEP_MS = 10 * MINUTE
WAITED_MS = 8 * HOUR


@dataclass(frozen=True)
class Score:
    right: int
    wrong: int
    missed: int
    delays_h: tuple[float, ...]  # from the turn until it was proposed
    off_h: tuple[float, ...]  # time found minus true time

    @property
    def precision(self) -> float:
        return self.right / max(1, self.right + self.wrong)

    @property
    def recall(self) -> float:
        return self.right / max(1, self.right + self.missed)


def score_of(records: list[Record], *, delays: bool = True) -> Score:
    right = wrong = missed = 0
    waited: list[float] = []
    off: list[float] = []
    for record in records:
        probes = sorted({probe for probe, _ in record.curves})
        for probe in probes:
            depths = {depth: points for (one, depth), points in record.curves.items() if one == probe}
            left = list(record.turns)
            for found in find_turns(depths):
                near = min(left, key=lambda at: abs(at - found.at), default=None)
                if near is None or abs(near - found.at) > NEAR_MS:
                    wrong += 1
                    continue
                left.remove(near)
                right += 1
                off.append((found.at - near) / HOUR)
                if delays:
                    waited.append((_said_at(depths, near) - near) / HOUR)
            missed += len(left)
    return Score(right, wrong, missed, tuple(waited), tuple(off))


def _said_at(depths: dict[str, Points], turned_at: int) -> int:
    """The first instant at which the readings up to then show the turn."""
    for now in range(turned_at, turned_at + WAITED_MS + 1, STEP_MS):
        seen = {}
        for depth, (at, celsius) in depths.items():
            some = slice(int(at.searchsorted(turned_at - 40 * HOUR)), int(at.searchsorted(now, "right")))
            seen[depth] = (at[some], celsius[some])
        if any(abs(found.at - turned_at) <= NEAR_MS for found in find_turns(seen)):
            return now
    return turned_at + WAITED_MS
