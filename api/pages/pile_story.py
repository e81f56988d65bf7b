"""What happened to a pile, newest first: turns and notes in one list."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shared.build_record import BUILD, CHECKED
from shared.heat.report import HeatReport
from shared.piles import FieldNote, Turn
from shared.times import Millis


@dataclass(frozen=True, slots=True)
class Happening:
    at: Millis
    kind: str  # turn, or a note's kind
    title: str
    text: str
    by: str
    turn_id: str | None = None
    state: str = ""
    note: FieldNote | None = None


def story_of(report: HeatReport, turns: Sequence[Turn], notes: Sequence[FieldNote]) -> list[Happening]:
    found = [_turn(turn, number) for turn, number in _numbered(turns)]
    known = {turn.id for turn in turns}
    found += [
        Happening(turn.at, "turn", "Looks like a turn", turn.note, "", turn.id, turn.state)
        for turn in report.turns
        if turn.state == "proposed" and turn.id not in known
    ]
    found += [_note(note) for note in notes if BUILD not in note.figures]
    return sorted(found, key=lambda one: one.at, reverse=True)


def _note(note: FieldNote) -> Happening:
    title = f"Checklist: {len(note.figures[CHECKED])} ticked" if CHECKED in note.figures else ""
    return Happening(note.at, note.kind, title, note.text, note.by, note=note)


def _numbered(turns: Sequence[Turn]) -> list[tuple[Turn, int]]:
    number = 0
    numbered = []
    for turn in sorted(turns, key=lambda turn: turn.at):
        number += turn.counts
        numbered.append((turn, number))
    return numbered


def _turn(turn: Turn, number: int) -> Happening:
    titles = {
        "confirmed": f"Turn {number}",
        "proposed": "Looks like a turn",
        "declined": "No turn (taken back)",
    }
    return Happening(turn.at, "turn", titles[turn.state], turn.note, turn.by, turn.id, turn.state)
