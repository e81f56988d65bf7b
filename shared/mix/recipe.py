"""A recipe as a person writes it, and the table of typical feedstocks it may lean on."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

SourceStatus = Literal["read", "from memory, unverified", "common practice", "own"]
Percent = Annotated[float, Field(ge=0, le=100)]
Amount = Annotated[float, Field(gt=0, le=1e9)]
MOST_FEEDSTOCKS = 100


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True)


class _Analysis(_Part):
    """What a material is: percent of dry mass for C and N, of wet mass for moisture."""

    moisture_percent: Percent | None = None
    carbon_percent: Percent | None = None
    nitrogen_percent: Percent | None = None
    carbon_to_nitrogen: Annotated[float, Field(gt=0, le=5000)] | None = None
    bulk_density_kg_m3: Annotated[float, Field(gt=0, le=3000)] | None = None


class TableRow(_Analysis):
    name: str
    status: SourceStatus
    bulk_density_status: SourceStatus | None = None


class Feedstock(_Analysis):
    """One ingredient and how much of it: ``mass_kg``, ``volume_l``, ``parts`` by volume, or ``free`` (solve for it)."""

    name: str = Field("", max_length=100)
    from_: str | None = Field(None, alias="from", description="a row of the table of typical values")
    mass_kg: Amount | None = None
    volume_l: Amount | None = None
    parts: Amount | None = None
    free: bool = False

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.name and not self.from_:
            raise ValueError("a feedstock needs a name, or from = a row of the table")
        given = [name for name in ("mass_kg", "volume_l", "parts") if getattr(self, name) is not None]
        if self.free and given:
            raise ValueError(f"{self.label}: free = true solves for the amount; leave out {given[0]}")
        if not self.free and len(given) != 1:
            raise ValueError(f"{self.label}: give one of mass_kg, volume_l or parts, or free = true")
        return self

    @property
    def label(self) -> str:
        return self.name or self.from_ or ""


class Goal(_Part):
    moisture_percent: Annotated[float, Field(gt=0, lt=100)] | None = None
    carbon_to_nitrogen: Annotated[float, Field(gt=0, le=1000)] | None = None


class Batches(_Part):
    count: int = Field(1, ge=1, le=1000)
    bucket_l: Amount | None = None


class Recipe(_Part):
    """The mix file of contracts section 7."""

    goal: Goal = Goal()
    batches: Batches = Batches()
    feedstock: tuple[Feedstock, ...] = Field(min_length=1, max_length=MOST_FEEDSTOCKS)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if sum(item.free for item in self.feedstock) > 1:
            raise ValueError("only one feedstock can be free")
        by_parts = [item for item in self.feedstock if item.parts is not None]
        if by_parts and len(by_parts) != len([item for item in self.feedstock if not item.free]):
            raise ValueError("give every amount in parts, or none: parts have no size of their own")
        if all(item.free for item in self.feedstock):
            raise ValueError("at least one feedstock needs an amount")
        if any(item.free for item in self.feedstock) and by_parts:
            raise ValueError(
                "a free feedstock is solved in kg: give the other amounts as mass_kg or volume_l"
            )
        names = [item.label for item in self.feedstock]
        if len(set(names)) != len(names):
            raise ValueError("two feedstocks have the same name")
        unknown = [item.from_ for item in self.feedstock if item.from_ and item.from_ not in table()]
        if unknown:
            raise ValueError(
                f"no feedstock called {unknown[0]!r} in the table; there are: {', '.join(sorted(table()))}"
            )
        return self


@cache
def table() -> dict[str, TableRow]:
    """Typical values by name, each with the status of its source."""
    raw: dict[str, Any] = tomllib.loads((files("shared.mix") / "feedstocks.toml").read_text("utf-8"))
    rows = [TableRow.model_validate(row) for row in raw["feedstock"]]
    return {row.name: row for row in rows}
