"""What people said of one pile: where its probes are, when it was turned, what was noted, how sensors were calibrated."""

from __future__ import annotations

from dataclasses import dataclass, field

from shared.piles import FieldNote, Pile, Placement, Turn
from shared.probes import Calibration
from shared.times import Millis, Span


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A sensor that the coldest need not ask during ``span``, by name and with the reason that a person gave."""

    probe: str
    depth: str
    reason: str
    span: Span


@dataclass(frozen=True, slots=True)
class PileFacts:
    """Everything but the readings that a heat report rests on."""

    pile: Pile
    placements: tuple[Placement, ...] = ()
    turns: tuple[Turn, ...] = ()
    notes: tuple[FieldNote, ...] = ()
    calibrations: tuple[Calibration, ...] = ()
    left_out: tuple[LeftOut, ...] = field(default=())

    @property
    def turned_at(self) -> tuple[Millis, ...]:
        """The instants of the turns that count, ascending, each once, within the pile's life."""
        return tuple(sorted({turn.at for turn in self.turns if turn.counts and turn.at in self.pile.span}))
