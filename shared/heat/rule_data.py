"""A time-temperature rule as it stands in its file."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from shared.heat.guide import DataFile
from shared.heat.view import Which
from shared.times import DAY, HOUR

RuleZone = Literal["core", "surface", "base", "edge", "all"]
"""Whose sensors are asked; ``all`` = every placed sensor that stands in the pile (not the ambient ones)."""


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class _Lasting(_Table):
    """A time at or over a temperature; exactly one of ``days`` and ``hours`` says how long."""

    at_least_c: float = Field(ge=0, le=120)
    days: float | None = Field(None, gt=0, le=1000)
    hours: float | None = Field(None, gt=0, le=24_000)

    @model_validator(mode="after")
    def _one_length(self) -> Self:
        if (self.days is None) == (self.hours is None):
            raise ValueError("give either days or hours")
        return self

    @property
    def need_ms(self) -> int:
        return round(self.days * DAY if self.days is not None else (self.hours or 0.0) * HOUR)

    @property
    def length_text(self) -> str:
        """``15 d`` or ``72 h``, as the file has it."""
        return f"{self.days:g} d" if self.days is not None else f"{self.hours:g} h"


class Inside(_Lasting):
    """So long at or over so much within the stretch of the alternative that holds it."""


class Alternative(_Lasting):
    """One way to meet the rule. ``up_to_c`` is the band's upper edge, itself inside the band."""

    up_to_c: float | None = Field(None, ge=0, le=120)
    including: tuple[Inside, ...] = ()

    @model_validator(mode="after")
    def _edges(self) -> Self:
        if self.up_to_c is not None and self.up_to_c <= self.at_least_c:
            raise ValueError(f"the band's upper edge {self.up_to_c:g} °C is not above {self.at_least_c:g} °C")
        for inner in self.including:
            if inner.at_least_c < self.at_least_c or inner.need_ms > self.need_ms:
                raise ValueError("what is included must be hotter and no longer than what holds it")
        return self


class HoldBefore(_Lasting):
    """What must lie between the turn before (or the build) and a turn, for that turn to count."""

    contiguous: bool = False


class Turning(_Table):
    """How many turns, and which of them count."""

    at_least: int = Field(ge=1, le=100)
    while_at_least_c: float | None = Field(None, ge=0, le=120)
    spacing_days: float | None = Field(None, gt=0, le=365)
    hold_before: HoldBefore | None = None

    @property
    def spacing_ms(self) -> int:
        return round((self.spacing_days or 0) * DAY)


class Rule(DataFile):
    """What a record must hold, and how this program reads the text.

    ``contiguous``: the time must be one unbroken stretch. ``turn_pause_h``: how long around a recorded turn a measured
    fall below the threshold, or the unknown time, neither counts nor breaks the stretch (0 = any fall breaks it).
    ``turn_gap_h``: the same for unknown time alone, from the last reading before a recorded turn to the first after.
    """

    edition: str = Field(min_length=1)
    zone: RuleZone = "core"
    sensor: Which = "coldest"
    contiguous: bool = False
    contiguous_note: str = ""
    turn_pause_h: float = Field(0.0, ge=0, le=72)
    turn_gap_h: float = Field(0.0, ge=0, le=24)
    alternative: tuple[Alternative, ...] = ()
    turns: Turning | None = None
    start_carbon_to_nitrogen: tuple[float, float] | None = None
    not_judged: tuple[str, ...] = ()
    note: str = ""

    @model_validator(mode="after")
    def _asks_for_something(self) -> Self:
        if not self.alternative and self.turns is None:
            raise ValueError("a rule needs an [[alternative]] or [turns]")
        window = self.start_carbon_to_nitrogen
        if window is not None and not 0 < window[0] <= window[1]:
            raise ValueError("start_carbon_to_nitrogen is [low, high]")
        return self
