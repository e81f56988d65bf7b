"""The mix planner's form: what stands in the address, as rows to show again and as a recipe to work out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from pydantic import ValidationError
from starlette.datastructures import FormData, QueryParams

from api.pages.forms import number
from api.problems import ProblemError
from shared.mix.recipe import MOST_FEEDSTOCKS, Recipe, TableRow
from shared.units import KG_PER_LB, LITRES_PER_CUBIC_YARD

FEWEST_ROWS = 3
UNITS = {
    "kg": "kg",
    "l": "litres",
    "buckets": "buckets",
    "lb": "lb",
    "yd3": "cubic yards",
    "parts": "parts (rough)",
    "free": "what it takes",
    "have_kg": "kg in the yard",
    "have_l": "litres in the yard",
}
_AMOUNTS: Mapping[str, tuple[str, Callable[[float, float], float]]] = {
    "kg": ("mass_kg", lambda amount, _: amount),
    "lb": ("mass_kg", lambda amount, _: amount * KG_PER_LB),
    "l": ("volume_l", lambda amount, _: amount),
    "buckets": ("volume_l", lambda amount, bucket_l: amount * bucket_l),
    "yd3": ("volume_l", lambda amount, _: amount * LITRES_PER_CUBIC_YARD),
    "parts": ("parts", lambda amount, _: amount),
    "have_kg": ("available_kg", lambda amount, _: amount),
    "have_l": ("available_l", lambda amount, _: amount),
}
_FIGURES = {
    "water": ("moisture_percent", "moisture"),
    "c": ("carbon_percent", "carbon"),
    "n": ("nitrogen_percent", "nitrogen"),
    "cn": ("carbon_to_nitrogen", "C:N"),
    "density": ("bulk_density_kg_m3", "bulk density"),
    "piece": ("particle_mm", "piece size"),
}


@dataclass(frozen=True, slots=True)
class FormRow:
    """One line of the form as it was typed."""

    name: str = ""
    amount: str = ""
    unit: str = "kg"
    water: str = ""
    c: str = ""
    n: str = ""
    cn: str = ""
    density: str = ""
    piece: str = ""

    @property
    def empty(self) -> bool:
        return not self.name.strip() and not self.amount.strip()

    @property
    def has_figures(self) -> bool:
        return any(getattr(self, short).strip() for short in _FIGURES)


@dataclass(frozen=True, slots=True)
class MixForm:
    rows: list[FormRow]
    name: str = ""
    ratio: str = "30"
    moisture: str = "55"
    count: str = "1"
    bucket_l: str = "20"
    size: str = ""
    size_unit: str = "l"
    rules: tuple[str, ...] = ()

    @property
    def filled(self) -> list[FormRow]:
        return [row for row in self.rows if not row.empty]

    @property
    def shown(self) -> list[FormRow]:
        """What is filled, and always one line more."""
        blank = max(1, FEWEST_ROWS - len(self.filled))
        return [*self.filled, *[FormRow()] * blank][:MOST_FEEDSTOCKS]


def form_of(query: QueryParams | FormData) -> MixForm:
    def texts(name: str) -> list[str]:
        return [one for one in query.getlist(name) if isinstance(one, str)]

    columns = {one.name: texts(one.name) for one in fields(FormRow) if one.name != "name"}
    names = texts("stuff")
    rows = [
        FormRow(name, **{key: found[index] for key, found in columns.items() if index < len(found)})
        for index, name in enumerate(names[:MOST_FEEDSTOCKS])
    ]
    given = {
        name: found[0]
        for name in ("name", "ratio", "moisture", "count", "bucket_l", "size", "size_unit")
        if (found := texts(name))
    }
    return MixForm(rows, **given, rules=tuple(rule for rule in texts("rule") if rule))


def recipe_of(form: MixForm, table: Mapping[str, TableRow]) -> Recipe:
    """ProblemError 422 in words for what cannot be worked out."""
    bucket_l = number(form.bucket_l, "bucket size")
    size = number(form.size, "size of the pile")
    chosen = any(row.unit.startswith("have") for row in form.filled)
    goal: dict[str, Any] = {
        "carbon_to_nitrogen": number(form.ratio, "C:N goal"),
        "moisture_percent": number(form.moisture, "moisture goal"),
    }
    if size is not None and chosen:
        goal["mass_kg" if form.size_unit == "kg" else "volume_l"] = size
    raw = {
        "name": form.name.strip(),
        "goal": goal,
        "batches": {"count": number(form.count, "mixing batches") or 1, "bucket_l": bucket_l},
        "rule_ids": form.rules,
        "feedstock": [_feedstock(row, bucket_l, table) for row in form.filled],
    }
    try:
        return Recipe.model_validate(raw)
    except ValidationError as error:
        raise ProblemError(422, _in_words(error, form)) from None


def _feedstock(row: FormRow, bucket_l: float | None, table: Mapping[str, TableRow]) -> dict[str, Any]:
    name = row.name.strip()
    if not name:
        raise ProblemError(422, f"Name the feedstock of which there is {row.amount.strip()}.")
    found: dict[str, Any] = {"from": name} if name in table else {"name": name}
    for short, (long, words) in _FIGURES.items():
        figure = number(getattr(row, short), f"{name}: {words}")
        if figure is not None:
            found[long] = figure
    if row.unit == "free":
        return found | {"free": True}
    if row.unit not in _AMOUNTS:
        raise ProblemError(422, f"{name}: there is no unit called {row.unit!r}.")
    if row.unit == "buckets" and bucket_l is None:
        raise ProblemError(422, "Say how large a bucket is.")
    amount = number(row.amount, f"{name}: amount")
    if amount is None:
        raise ProblemError(422, f"{name}: how much? Or choose “{UNITS['free']}”.")
    field, into = _AMOUNTS[row.unit]
    return found | {field: into(amount, bucket_l or 0.0)}


def _in_words(error: ValidationError, form: MixForm) -> str:
    first = error.errors()[0]
    place = first["loc"]
    why = str(first["msg"]).removeprefix("Value error, ")
    words = [str(part).replace("_", " ") for part in place if isinstance(part, str) and part != "feedstock"]
    if len(place) > 1 and place[0] == "feedstock" and isinstance(place[1], int):
        words.insert(0, form.filled[place[1]].name)
    return ": ".join([*words, why])
