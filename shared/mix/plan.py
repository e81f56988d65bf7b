"""From a recipe to what goes into the pile: totals, buckets, equal batches, and every warning in words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pydantic import BaseModel, ConfigDict, Field

from shared.mix import sums
from shared.mix.air import air_warnings, as_built
from shared.mix.choosing import Best, Free, choose_best, solve_free
from shared.mix.material import Material, material_of
from shared.mix.questions import questions_for
from shared.mix.recipe import Recipe, Rows, table
from shared.mix.windows import StartRule, start_warnings


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True)


class FeedstockShare(_Part):
    name: str
    mass_kg: float | None
    volume_l: float | None
    buckets: float | None
    parts: float | None = None


class BatchShare(_Part):
    batch: int
    mass_kg: float | None
    volume_l: float | None
    water_to_add_kg: float | None
    feedstocks: list[FeedstockShare]


class Asked(_Part):
    """A question that bears on contaminants or heat, to be answered before the feedstock goes in."""

    feedstock: str
    id: str
    question: str


class MixAnswer(_Part):
    """The answer of contracts section 7. Unknown is None, with a warning that says what is missing."""

    mass_kg: float | None
    volume_l: float | None
    moisture_percent: float | None
    carbon_to_nitrogen: float | None
    bulk_density_kg_m3: float | None
    water_to_add_kg: float | None
    feedstocks: list[FeedstockShare]
    batches: list[BatchShare]
    free: Free | None
    rough: bool
    warnings: list[str]
    name: str = ""
    best: Best | None = None
    as_built_density_kg_m3: float | None = None  # with the water to add in it
    free_air_space_percent: float | None = None
    questions: list[Asked] = Field(default_factory=list)


def plan(recipe: Recipe, rows: Rows | None = None, rules: Iterable[StartRule] = ()) -> MixAnswer:
    """Work out ``recipe``. Never raises for missing figures: they stay None and are named in the warnings.

    ``rows``: the feedstocks that ``from`` may name (the table of typical values when None); UnknownFeedstock for one
    that is not there. ``rules``: those that the recipe's ``rule_ids`` name.
    """
    warnings: list[str] = []
    materials = [material_of(item, table() if rows is None else rows) for item in recipe.feedstock]
    free = best = None
    if recipe.chooses:
        best, materials = choose_best(recipe, materials, warnings)
    position = next((index for index, item in enumerate(recipe.feedstock) if item.free), None)
    if position is not None:
        free, mass = solve_free(recipe, materials, position, warnings)
        materials[position] = materials[position].with_mass(mass)
    mass_kg = _total([item.mass_kg for item in materials])
    volume_l = _total([item.volume_l for item in materials])
    moisture, ratio = sums.moisture_of(materials), sums.ratio_of(materials)
    density = mass_kg / volume_l * 1000.0 if mass_kg is not None and volume_l else None
    rough = False
    if ratio is None:
        ratio = sums.rough_ratio_of(materials)
        rough = ratio is not None
    _say_what_is_missing(materials, rough, warnings)
    water = _water(recipe, mass_kg, moisture, warnings)
    warnings += start_warnings(ratio, moisture, rules, rough=rough)
    built_density, free_air = as_built(materials, mass_kg, volume_l, water)
    warnings += air_warnings(materials, built_density, free_air)
    bucket_l = recipe.batches.bucket_l
    return MixAnswer(
        mass_kg=mass_kg,
        volume_l=volume_l,
        moisture_percent=moisture,
        carbon_to_nitrogen=ratio,
        bulk_density_kg_m3=density,
        water_to_add_kg=water,
        feedstocks=[_share(item, 1, bucket_l) for item in materials],
        batches=_batches(materials, recipe.batches.count, bucket_l, (mass_kg, volume_l, water)),
        free=free,
        rough=rough,
        warnings=warnings,
        name=recipe.name,
        best=best,
        as_built_density_kg_m3=built_density,
        free_air_space_percent=free_air,
        questions=[
            Asked(feedstock=item.name, id=one.id, question=one.text)
            for item in materials
            for one in questions_for(item.name)
        ],
    )


def _total(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) if len(known) == len(values) else None


def _say_what_is_missing(materials: Sequence[Material], rough: bool, warnings: list[str]) -> None:
    if rough:
        warnings.append(
            "Rough: the C:N is the plain average of the ratios by amount, which is wrong when nitrogen or moisture "
            "differ much. Give moisture, nitrogen and masses (or bulk densities) for an exact figure."
        )
    for item in materials:
        missing = item.missing()
        if missing:
            warnings.append(f"{item.name}: unknown {', '.join(missing)}; what depends on it is left open.")


def _water(
    recipe: Recipe, mass_kg: float | None, moisture: float | None, warnings: list[str]
) -> float | None:
    goal = recipe.goal.moisture_percent
    if goal is None or mass_kg is None or moisture is None:
        return None
    if moisture > goal + 0.5:
        warnings.append(
            f"The mix is wetter ({moisture:.1f} %) than the goal ({goal:g} %): no water, but a dry feedstock."
        )
    return sums.water_to_add(mass_kg, moisture, goal)


def _share(item: Material, count: int, bucket_l: float | None) -> FeedstockShare:
    def part(value: float | None) -> float | None:
        return None if value is None else value / count

    volume = part(item.volume_l)
    buckets = volume / bucket_l if volume is not None and bucket_l else None
    return FeedstockShare(
        name=item.name, mass_kg=part(item.mass_kg), volume_l=volume, buckets=buckets, parts=part(item.parts)
    )


def _batches(
    materials: Sequence[Material],
    count: int,
    bucket_l: float | None,
    totals: tuple[float | None, float | None, float | None],
) -> list[BatchShare]:
    mass, volume, water = (None if value is None else value / count for value in totals)
    shares = [_share(item, count, bucket_l) for item in materials]
    return [
        BatchShare(batch=number, mass_kg=mass, volume_l=volume, water_to_add_kg=water, feedstocks=shares)
        for number in range(1, count + 1)
    ]
