"""What is known of a pile's moisture: the last squeeze test, what was watered since, and what it was built at."""

from __future__ import annotations

from collections.abc import Sequence

from shared.heat.facts import PileFacts
from shared.heat.report import Moisture, MoistureState
from shared.heat.rule_words import when
from shared.piles import FieldNote
from shared.times import DAY, Millis

SQUEEZE_FRESH_MS = 7 * DAY  # our choice
# a few drops ~50 %, a run of drops too wet, none too dry: county guides and common practice
MEANS: dict[str, str] = {
    "dry": "no drop: too dry, well under 50 %",
    "right": "a few drops: about 50 %",
    "wet": "water runs: too wet, short of air",
}
_STATES: dict[str, MoistureState] = {"dry": "dry", "right": "right", "wet": "wet"}


def moisture_now(facts: PileFacts, now: Millis) -> Moisture:
    """Water after a dry or right squeeze leaves the state unknown: only the next squeeze tells."""
    notes = sorted((note for note in facts.notes if note.at <= now), key=lambda note: (note.at, note.id))
    squeezes = [note for note in notes if note.kind == "squeeze" and note.figures.get("feel") in MEANS]
    built = _number((facts.pile.mix or {}).get("moisture_percent"))
    built_words = f" Built at {built:.0f} % by the mix." if built is not None else ""
    if not squeezes:
        litres = _litres(notes)
        given = f" {litres:g} L given since the build." if litres else ""
        words = f"No squeeze test yet.{built_words}{given}"
        return Moisture(state="unknown", at=None, watered_l=litres, built_percent=built, words=words)
    over = facts.pile.finished_at is not None and facts.pile.finished_at <= now
    again = "." if over else ": squeeze again."
    last = squeezes[-1]
    feel = str(last.figures["feel"])
    later = [note for note in notes if note.at > last.at]
    litres = _litres(later)
    watered = any(note.kind == "water" for note in later)
    words = f"Squeezed at {when(last.at)}: {MEANS[feel]}."
    state = _STATES[feel]
    if watered and feel != "wet":
        state = "unknown"
        words += f" Watered since{f' ({litres:g} L)' if litres else ''}{again}"
    elif now - last.at > SQUEEZE_FRESH_MS:
        state = "unknown"
        words += f" That is {(now - last.at) // DAY} days ago{again}"
    return Moisture(state=state, at=last.at, watered_l=litres, built_percent=built, words=words + built_words)


def _litres(notes: Sequence[FieldNote]) -> float | None:
    """What waterings say they gave; None = none was noted, or none said how much."""
    given = [_number(note.figures.get("litres")) for note in notes if note.kind == "water"]
    known = [one for one in given if one is not None]
    return sum(known) if known else None


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
