"""What people noted that bears on running too hot: smoke, a burnt smell, a dry squeeze, a hand reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shared.piles import FieldNote
from shared.times import DAY, Millis

FRESH_MS = 1 * DAY  # smoke, smell and hand readings speak of a day (our choice)
DRY_FRESH_MS = 7 * DAY


@dataclass(frozen=True, slots=True)
class Noted:
    smoke_at: Millis | None = None
    burnt_at: Millis | None = None
    foul_at: Millis | None = None  # sour or rotten
    ammonia_at: Millis | None = None
    dry_at: Millis | None = None
    hand: tuple[Millis, float] | None = None  # the last hand reading of the day; of one instant the hottest


def noted(notes: Sequence[FieldNote], now: Millis, turned_at: Sequence[Millis]) -> Noted:
    """A later note without smoke or smell takes an earlier one back; water or a turn ends a dry squeeze."""
    so_far = sorted((note for note in notes if note.at <= now), key=lambda note: (note.at, note.id))
    smells = [note for note in so_far if note.kind == "smell" and note.at > now - FRESH_MS]
    last_smell = smells[-1] if smells else None
    smoke = last_smell is not None and bool(last_smell.figures.get("smoke"))
    smell = "" if last_smell is None else str(last_smell.figures.get("smell"))
    wetted = [note.at for note in so_far if note.kind == "water"] + [at for at in turned_at if at <= now]
    squeezes = [note for note in so_far if note.kind == "squeeze" and note.at > now - DRY_FRESH_MS]
    dry = (
        bool(squeezes)
        and squeezes[-1].figures.get("feel") == "dry"
        and not any(at > squeezes[-1].at for at in wetted)
    )
    hands = [
        (note.at, float(note.figures["celsius"]))
        for note in so_far
        if note.kind == "hand_reading"
        and note.at > now - FRESH_MS
        and isinstance(note.figures.get("celsius"), int | float)
    ]
    return Noted(
        smoke_at=last_smell.at if smoke and last_smell else None,
        burnt_at=last_smell.at if smell == "burnt" and last_smell else None,
        foul_at=last_smell.at if smell in {"sour", "rotten"} and last_smell else None,
        ammonia_at=last_smell.at if smell == "ammonia" and last_smell else None,
        dry_at=squeezes[-1].at if dry else None,
        hand=max(hands, default=None),
    )
