"""A turning guide: how long a pile may stay how hot before it wants a turn, as data."""

from __future__ import annotations

from itertools import pairwise
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

SourceStatus = Literal["read", "second-hand", "common practice", "from memory, unverified"]
"""How far a figure is backed: its text was read; a text that quotes it was read; the trade's habit; memory alone."""

SLUG = r"^[a-z0-9][a-z0-9-]{0,63}$"


class DataFile(BaseModel):
    """What every rule or guide file must hold; a key that is not known is an error, not a silence."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    id: str = Field(pattern=SLUG)
    title: str = Field(min_length=1)
    source: str = Field(min_length=1)
    source_status: SourceStatus


class Rung(BaseModel):
    """From ``from_c`` (closed) up to the next rung the pile may stay ``hold_h`` since the last turn; 0 = turn now."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    from_c: float = Field(ge=0, le=120)
    hold_h: float = Field(ge=0, le=24 * 365)


class Guide(DataFile):
    """The table of turning times, and what makes a turn count.

    Turn load since the last turn (or the build) = integral of dt / hold(T(t)) over the hottest core reading; a turn is
    due at load 1. Below the lowest rung nothing is added; in a rung with ``hold_h`` 0 the turn is due at once.
    """

    rungs: tuple[Rung, ...] = Field(min_length=1)
    required_turns: int = Field(ge=0, le=100)
    counts_above_c: float = Field(55.0, ge=0, le=120)
    counts_after_h: float = Field(72.0, ge=0)
    counts_at_load: float | None = Field(1.0, gt=0)
    soon_h: float = Field(6.0, ge=0)
    overdue_load: float | None = Field(None, gt=1)
    overdue_h: float | None = Field(12.0, gt=0)
    default: bool = False
    note: str = ""

    @field_validator("rungs")
    @classmethod
    def _rungs_climb(cls, rungs: tuple[Rung, ...]) -> tuple[Rung, ...]:
        for lower, upper in pairwise(rungs):
            if upper.from_c <= lower.from_c:
                raise ValueError(f"rungs must climb: {upper.from_c:g} °C stands after {lower.from_c:g} °C")
            if upper.hold_h > lower.hold_h:
                raise ValueError(
                    f"a hotter rung cannot hold longer: {upper.hold_h:g} h at {upper.from_c:g} °C"
                )
        return rungs

    def hold_h(self, celsius: float) -> float | None:
        """Hours the pile may stay at ``celsius``; None below the table, 0 = turn now."""
        held = None
        for rung in self.rungs:
            if celsius >= rung.from_c:
                held = rung.hold_h
        return held

    def turn_counts(self, hours_above: float | None, load: float | None) -> bool:
        """Whether a turn came after enough heat: ``hours_above`` = hours at or over ``counts_above_c`` since the turn
        before, by the hottest core reading; or because the guide itself had called for it (``counts_at_load``)."""
        enough_hours = hours_above is not None and hours_above > 0 and hours_above >= self.counts_after_h
        called_for = load is not None and self.counts_at_load is not None and load >= self.counts_at_load
        return enough_hours or called_for
