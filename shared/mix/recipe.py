"""A recipe as a person writes it, and the table of typical feedstocks it may lean on."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

SourceStatus = Literal["read", "from memory, unverified", "common practice", "own"]
Percent = Annotated[float, Field(ge=0, le=100)]
Ratio = Annotated[float, Field(gt=0, le=5000)]
WeightPerVolume = Annotated[float, Field(gt=0, le=3000)]
Amount = Annotated[float, Field(gt=0, le=1e9)]
MOST_FEEDSTOCKS = 100


def _plain(text: str) -> str:
    if not text.isprintable():
        raise ValueError("must be one line of printable characters")
    return text


Name = Annotated[str, Field(max_length=100), AfterValidator(_plain)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True)


class _Analysis(_Part):
    """What a material is: percent of dry mass for C and N, of wet mass for moisture."""

    moisture_percent: Percent | None = None
    carbon_percent: Percent | None = None
    nitrogen_percent: Percent | None = None
    carbon_to_nitrogen: Ratio | None = None
    bulk_density_kg_m3: WeightPerVolume | None = None


class TableRow(_Analysis):
    name: Annotated[str, Field(min_length=1, max_length=100)]
    status: SourceStatus
    source: Annotated[str, Field(max_length=300)] = ""
    bulk_density_status: SourceStatus | None = None
    bulk_density_source: Annotated[str, Field(max_length=300)] = ""


AMOUNTS = ("mass_kg", "volume_l", "parts", "available_kg", "available_l")


class Feedstock(_Analysis):
    """One ingredient and how much of it: ``mass_kg``, ``volume_l``, ``parts`` by volume, ``free`` (solve for it), or
    what there is of it, ``available_kg`` or ``available_l``, from which the best mix takes what it needs (never less
    than ``at_least_kg``)."""

    name: Name = ""
    from_: Name | None = Field(None, alias="from", description="a row of the table of typical values")
    mass_kg: Amount | None = None
    volume_l: Amount | None = None
    parts: Amount | None = None
    free: bool = False
    available_kg: Amount | None = None
    available_l: Amount | None = None
    at_least_kg: Annotated[float, Field(ge=0, le=1e9)] | None = None
    particle_mm: Annotated[float, Field(gt=0, le=1000)] | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.name and not self.from_:
            raise ValueError("a feedstock needs a name, or from = a row of the table")
        given = [name for name in AMOUNTS if getattr(self, name) is not None]
        if self.free and given:
            raise ValueError(f"{self.label}: free = true solves for the amount; leave out {given[0]}")
        if not self.free and len(given) != 1:
            raise ValueError(
                f"{self.label}: give one of mass_kg, volume_l, parts or available_kg, or free = true"
            )
        if self.at_least_kg is not None and not self.in_the_yard:
            raise ValueError(f"{self.label}: at_least_kg goes with available_kg or available_l")
        if (
            self.available_kg is not None
            and self.at_least_kg is not None
            and self.at_least_kg > self.available_kg
        ):
            raise ValueError(f"{self.label}: at_least_kg is more than there is")
        return self

    @property
    def in_the_yard(self) -> bool:
        """The amount is for the best mix to choose."""
        return self.available_kg is not None or self.available_l is not None

    @property
    def label(self) -> str:
        return self.name or self.from_ or ""


class Goal(_Part):
    """``mass_kg`` or ``volume_l``: how large the best mix should be; without either, as large as the goals allow."""

    moisture_percent: Annotated[float, Field(gt=0, lt=100)] | None = None
    carbon_to_nitrogen: Annotated[float, Field(gt=0, le=1000)] | None = None
    mass_kg: Amount | None = None
    volume_l: Amount | None = None


class Batches(_Part):
    count: int = Field(1, ge=1, le=1000)
    bucket_l: Amount | None = None


class Recipe(_Part):
    """The mix file of contracts section 7. ``rule_ids``: rules whose start C:N the mix is held against."""

    name: Name = ""
    goal: Goal = Goal()
    batches: Batches = Batches()
    rule_ids: tuple[Annotated[str, Field(max_length=200)], ...] = Field((), max_length=50)
    feedstock: tuple[Feedstock, ...] = Field(min_length=1, max_length=MOST_FEEDSTOCKS)

    @model_validator(mode="after")
    def _check(self) -> Self:
        amounts = [item for item in self.feedstock if not item.free]
        if len(self.feedstock) - len(amounts) > 1:
            raise ValueError("only one feedstock can be free")
        by_parts = [item for item in amounts if item.parts is not None]
        if by_parts and len(by_parts) != len(amounts):
            raise ValueError("give every amount in parts, or none: parts have no size of their own")
        if not amounts:
            raise ValueError("at least one feedstock needs an amount")
        if len(amounts) < len(self.feedstock):
            if by_parts:
                raise ValueError(
                    "a free feedstock is solved in kg: give the other amounts as mass_kg or volume_l"
                )
            if self.chooses:
                raise ValueError("solve for one free feedstock or for the best mix, not for both")
        if self.goal.mass_kg is not None and self.goal.volume_l is not None:
            raise ValueError("goal: give mass_kg or volume_l, not both")
        names = [item.label for item in self.feedstock]
        if len(set(names)) != len(names):
            raise ValueError("two feedstocks have the same name")
        return self

    @property
    def chooses(self) -> bool:
        return any(item.in_the_yard for item in self.feedstock)


class UnknownFeedstock(ValueError):
    """``from`` names no row; the text says which rows there are."""


Rows = Mapping[str, TableRow]


def row_of(item: Feedstock, rows: Rows) -> TableRow | None:
    """What ``from`` names; raise UnknownFeedstock."""
    if not item.from_:
        return None
    if item.from_ not in rows:
        raise UnknownFeedstock(
            f"no feedstock called {item.from_!r} in the table; there are: {', '.join(sorted(rows))}"
        )
    return rows[item.from_]


@cache
def table() -> dict[str, TableRow]:
    """Typical values by name, each with the status of its source."""
    raw: dict[str, Any] = tomllib.loads((files("shared.mix") / "feedstocks.toml").read_text("utf-8"))
    rows = [TableRow.model_validate(row) for row in raw["feedstock"]]
    return {row.name: row for row in rows}
