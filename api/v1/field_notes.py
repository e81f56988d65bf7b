"""What each kind of note carries."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import AliasChoices, Field, model_validator

from api.v1.wire import At, In, Instant, Out, Words
from shared.piles import FieldNote, NoteKind
from shared.units import celsius


class _Note(In):
    at: Instant
    text: Words = Field("", validation_alias=AliasChoices("text", "note"))


class WaterNote(_Note):
    kind: Literal["water"]
    litres: Annotated[float, Field(ge=0, le=1e6)] | None = None


class CoverNote(_Note):
    kind: Literal["cover"]


class SmellNote(_Note):
    kind: Literal["smell"]
    smell: Literal["none", "earthy", "ammonia", "sour", "rotten", "burnt"]
    smoke: bool = False


class SqueezeNote(_Note):
    kind: Literal["squeeze"]
    feel: Literal["dry", "right", "wet"]


class HandReadingNote(_Note):
    """One of ``celsius`` and ``fahrenheit``."""

    kind: Literal["hand_reading"]
    celsius: Annotated[float, Field(ge=-60, le=200)] | None = None
    fahrenheit: Annotated[float, Field(ge=-76, le=392)] | None = None
    depth_cm: Annotated[float, Field(ge=0, le=1000)] | None = None

    @model_validator(mode="after")
    def _one_temperature(self) -> Self:
        if (self.celsius is None) == (self.fahrenheit is None):
            raise ValueError("give either celsius or fahrenheit")
        return self


class PhotoNote(_Note):
    kind: Literal["photo"]


class RemarkNote(_Note):
    kind: Literal["remark"]


NoteIn = WaterNote | CoverNote | SmellNote | SqueezeNote | HandReadingNote | PhotoNote | RemarkNote


class NoteOut(Out):
    id: str
    pile: str
    kind: NoteKind
    at: At
    text: str
    figures: dict[str, Any]
    by: str


def figures_of(note: NoteIn) -> dict[str, Any]:
    """The numbers and choices of its kind, in °C."""
    figures = note.model_dump(exclude={"kind", "at", "text", "fahrenheit"}, exclude_none=True)
    if isinstance(note, HandReadingNote) and note.fahrenheit is not None:
        figures["celsius"] = round(celsius(note.fahrenheit), 4)
    return figures


def show_note(note: FieldNote) -> NoteOut:
    return NoteOut(
        id=note.id, pile=note.pile_id, kind=note.kind, at=note.at, text=note.text, figures=note.figures, by=note.by
    )  # fmt: skip
