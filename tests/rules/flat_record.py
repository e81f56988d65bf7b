"""A record made of flat pieces, whose sums anyone can do in the head: a stand-in for a pile's heat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from shared.heat.catalogue import Catalogue
from shared.heat.facts import LeftOut, PileFacts
from shared.heat.report import RuleReading
from shared.heat.rules import Record, read_rule
from shared.heat.view import AnyZone, Stretches, Which
from shared.piles import FieldNote, Pile, Placement, Turn, Zone
from shared.times import DAY, MINUTE, Millis, Span

BUILT = Millis(1_767_225_600_000)  # 2026-01-01T00:00:00Z
FIVE = (3.0, 6.0, 9.0, 12.0, 14.5)
SHORT = 1 / DAY  # one millisecond, in days
Piece = tuple[int, int, float]
"""From, to (ms after the build), °C."""
KNOWN = float("-inf")
CATALOGUE = Catalogue.load()


@dataclass
class FlatRecord:
    """One core sensor for each list of pieces; nothing is known between pieces."""

    sensors: Sequence[Sequence[Piece]]
    turns: Sequence[int] = ()
    notes: Sequence[FieldNote] = ()
    finished: int | None = None
    volume_l: float | None = None
    max_gap_ms: int = 180 * MINUTE
    zone: Zone = "core"
    start_carbon_to_nitrogen: float | None = None
    left_out: tuple[LeftOut, ...] = ()
    facts: PileFacts = field(init=False)

    def __post_init__(self) -> None:
        mix = {"carbon_to_nitrogen": self.start_carbon_to_nitrogen} if self.start_carbon_to_nitrogen else None
        pile = Pile(
            "p", "yard", "K-01", BUILT, volume_l=self.volume_l, mix=mix,
            finished_at=None if self.finished is None else Millis(BUILT + self.finished),
        )  # fmt: skip
        self.facts = PileFacts(
            pile,
            placements=tuple(
                Placement(str(index), "yard", f"probe-{index}", "p", Span(BUILT), "middle", self.zone)
                for index in range(len(self.sensors))
            ),
            turns=tuple(Turn(str(at), "p", Millis(BUILT + at)) for at in self.turns),
            notes=tuple(self.notes),
            left_out=self.left_out,
        )

    def intervals(self, threshold_c: float, which: Which, zone: AnyZone | None = None) -> Stretches:
        edges = sorted({at for pieces in self.sensors for piece in pieces for at in piece[:2]})
        enough = any if which == "hottest" else all
        stretches: list[tuple[int, int]] = []
        for start, end in pairwise(edges):
            if enough(self._is_over(pieces, start, end, threshold_c) for pieces in self.sensors):
                if stretches and stretches[-1][1] == start and start not in self.turns:
                    stretches[-1] = (stretches[-1][0], end)
                else:
                    stretches.append((start, end))
        return np.array(stretches, dtype=np.int64).reshape(-1, 2) + BUILT

    @staticmethod
    def _is_over(pieces: Sequence[Piece], start: int, end: int, threshold_c: float) -> bool:
        return any(
            begin <= start and end <= stop and celsius >= threshold_c for begin, stop, celsius in pieces
        )

    def readings(
        self, zone: AnyZone | None = None, *, after: Millis, until: Millis
    ) -> list[tuple[str, str, NDArray[np.int64], NDArray[np.float64]]]:
        found = []
        for number, pieces in enumerate(self.sensors):
            rows = [
                (at, celsius) for begin, stop, celsius in pieces for at in range(begin, stop, 10 * MINUTE)
            ]
            at = np.array([BUILT + at for at, _ in rows], dtype=np.int64)
            some = (at > after) & (at <= until)
            found.append(
                (f"probe-{number}", "45", at[some], np.array([c for _, c in rows], dtype=np.float64)[some])
            )
        return found

    def known(self, zone: AnyZone | None = None, which: Which = "coldest") -> Stretches:
        return self.intervals(KNOWN, which, zone)

    def zones(self) -> frozenset[Zone]:
        return frozenset({self.zone})

    def latest(self, which: Which, now: Millis, zone: AnyZone | None = None) -> tuple[float, Millis] | None:
        values = [
            celsius
            for pieces in self.sensors
            for begin, stop, celsius in pieces
            if begin < now - BUILT <= stop + self.max_gap_ms and now - BUILT <= stop
        ]
        if not values:
            return None
        return (max(values) if which == "hottest" else min(values)), Millis(0)

    def read(self, rule_id: str, as_of: int) -> RuleReading:
        record = Record.of(self, Millis(BUILT + as_of))  # type: ignore[arg-type]  # answers what rules ask
        return read_rule(CATALOGUE.rules[rule_id], self, record)


def hot(
    days: float, celsius: float, turns: Sequence[float] = (), start_ms: int = 0, moment_ms: int = 10 * MINUTE
) -> tuple[list[Piece], list[int]]:
    """A constant line that holds ``days`` of known time, cut at each of ``turns`` (days of known time) for the moment
    between two readings around a turn; gives the pieces and the instants of the turns."""
    pieces: list[Piece] = []
    at_turns: list[int] = []
    at, held = start_ms, 0
    for turn in [*turns, None]:
        until = round(days * DAY) if turn is None else round(turn * DAY)
        pieces.append((at, at + until - held, celsius))
        at += until - held
        held = until
        if turn is not None:
            at_turns.append(at + moment_ms // 2)
            at += moment_ms
    return pieces, at_turns


def read(
    rule_id: str, days: float, celsius: float, turns: tuple[float, ...], *, finished: bool = False
) -> RuleReading:
    pieces, at_turns = hot(days, celsius, turns)
    end = pieces[-1][1]
    return FlatRecord([pieces], at_turns, finished=end if finished else None).read(rule_id, end)
