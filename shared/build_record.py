"""How a pile was built: what went in, by whom, in what weather. Kept as a remark of the field log, the last one counts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from shared.ids import new_id
from shared.mix.checklist import STEP_IDS
from shared.mix.plan import MixAnswer
from shared.piles import FieldNote
from shared.times import Millis

BUILD, CHECKED = "build", "checked"
"""Figures of a remark: the record itself, and the ids of checklist steps that somebody ticked."""
Litres = Annotated[float, Field(ge=0, le=1e6)]


class KeptAnswer(BaseModel):
    """What was known of a feedstock when it went in."""

    model_config = ConfigDict(frozen=True)

    feedstock: str
    asks: str
    text: str = ""
    verdict: str = ""


class BuildRecord(BaseModel):
    """``water_l``: put in while mixing. What went in stands in the pile's mix."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    by: Annotated[str, Field(max_length=200)] = ""
    weather: Annotated[str, Field(max_length=200)] = ""
    air_c: Annotated[float, Field(ge=-60, le=60)] | None = None
    water_l: Litres | None = None
    cover: Annotated[str, Field(max_length=200)] = ""
    text: Annotated[str, Field(max_length=2000)] = ""
    answers: tuple[KeptAnswer, ...] = ()
    edition: int = 1  # grows with every correction


def mix_as_built(
    answer: MixAnswer, water_l: float | None, rows: Sequence[dict[str, str]] = (), planned: Sequence[str] = ()
) -> dict[str, Any]:
    """What a pile's ``mix`` keeps. ``rows``: the lines of the form that it was worked out from; ``planned``: what the
    plan had said of each feedstock. The moisture is that with the water in it."""
    mass, moisture, water = answer.mass_kg, answer.moisture_percent, water_l or 0.0
    if mass is not None and moisture is not None:
        moisture = (mass * moisture + 100.0 * water) / (mass + water)
    texts = [*planned, *[""] * len(answer.feedstocks)]
    return {
        "name": answer.name,
        "carbon_to_nitrogen": answer.carbon_to_nitrogen,
        "rough": answer.rough,
        "moisture_percent": moisture,
        "mass_kg": None if mass is None else mass + water,
        "volume_l": answer.volume_l,
        "water_l": water_l,
        "free_air_space_percent": answer.free_air_space_percent,
        "feedstocks": [
            one.model_dump(exclude_none=True) | ({"planned": text} if text else {})
            for one, text in zip(answer.feedstocks, texts, strict=False)
        ],
        "warnings": answer.warnings,
        "rows": list(rows),
    }


def build_note(pile_id: str, record: BuildRecord, at: Millis, now: Millis) -> FieldNote:
    figures = {BUILD: record.model_dump(mode="json", exclude_none=True)}
    return FieldNote(new_id(now), pile_id, "remark", at, text=record.text, figures=figures, by=record.by)


def check_note(pile_id: str, steps: Iterable[str], by: str, at: Millis) -> FieldNote:
    known = [step for step in dict.fromkeys(steps) if step in STEP_IDS]
    return FieldNote(new_id(at), pile_id, "remark", at, figures={CHECKED: known}, by=by)


def build_of(notes: Sequence[FieldNote]) -> BuildRecord | None:
    """The last edition; one that this program cannot read is passed over."""
    found = []
    for note in notes:
        if note.kind == "remark" and isinstance(note.figures.get(BUILD), dict):
            try:
                found.append(BuildRecord.model_validate(note.figures[BUILD]))
            except ValidationError:
                continue
    return max(found, key=lambda record: record.edition, default=None)


def checked_of(notes: Sequence[FieldNote]) -> dict[str, FieldNote]:
    """By step: the note that ticked it first."""
    found: dict[str, FieldNote] = {}
    for note in sorted(notes, key=lambda note: (note.at, note.id)):
        ticked = note.figures.get(CHECKED)
        if note.kind == "remark" and isinstance(ticked, list):
            for step in ticked:
                found.setdefault(str(step), note)
    return found
