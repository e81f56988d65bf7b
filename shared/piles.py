"""Sites, piles and what people do to them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from shared.times import Millis, Span

Zone = Literal["core", "surface", "base", "edge", "ambient"]
TurnSource = Literal["logged", "detected"]
TurnState = Literal["confirmed", "proposed", "declined"]
NoteKind = Literal["water", "cover", "smell", "squeeze", "hand_reading", "photo", "remark"]


@dataclass(frozen=True, slots=True)
class Site:
    slug: str
    name: str
    zone: str  # IANA time zone


@dataclass(frozen=True, slots=True)
class Pile:
    """One heap from build to finish; a finished one is what is reviewed as a batch."""

    id: str
    site: str
    peg: str
    built_at: Millis
    finished_at: Millis | None = None
    volume_l: float | None = None
    kind: str | None = None  # "caged", "windrow", ... free text of the maker's
    rule_ids: tuple[str, ...] = ()
    guide_id: str | None = None  # None = the default guide
    mix: dict[str, Any] | None = None

    @property
    def span(self) -> Span:
        return Span(self.built_at, self.finished_at)


@dataclass(frozen=True, slots=True)
class Placement:
    """A probe in a pile, from-to. Readings belong to a pile only through this."""

    id: str
    site: str
    probe: str
    pile_id: str
    span: Span
    position: str  # where in the pile, in the maker's words
    zone: Zone = "core"


@dataclass(frozen=True, slots=True)
class Turn:
    id: str
    pile_id: str
    at: Millis
    source: TurnSource = "logged"
    state: TurnState = "confirmed"
    note: str = ""
    by: str = ""

    @property
    def counts(self) -> bool:
        """Only what a person logged or confirmed ends a line or counts towards a rule."""
        return self.state == "confirmed"


@dataclass(frozen=True, slots=True)
class FieldNote:
    """What a person saw or did beside turning; ``figures`` holds the numbers and choices of its kind.

    hand_reading: {"celsius": 61.5, "depth_cm": 45}; squeeze: {"feel": "dry" | "right" | "wet"};
    water: {"litres": 40}; smell: {"smell": "none" | "earthy" | "ammonia" | "sour" | "rotten" | "burnt", "smoke": bool}.
    """

    id: str
    pile_id: str
    kind: NoteKind
    at: Millis
    text: str = ""
    figures: dict[str, Any] = field(default_factory=dict)
    by: str = ""
