"""The amounts that a recipe leaves open: one free feedstock, or the best mix of what is in the yard."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import BaseModel, ConfigDict

from shared.mix import sums
from shared.mix.best import BestMix, Bounded, best_mix
from shared.mix.material import Material
from shared.mix.recipe import Feedstock, Goal, Recipe

SAME_WITHIN = 0.05  # two answers for the free feedstock closer than this agree


class Free(BaseModel):
    model_config = ConfigDict(frozen=True)

    name: str
    for_moisture_kg: float | None
    for_carbon_to_nitrogen_kg: float | None
    conflict: bool


class Best(BaseModel):
    """How near the best mix of what is in the yard comes: figures with the water in it, misses as found minus goal.

    ``conflict``: each goal could be met alone, both together cannot.
    """

    model_config = ConfigDict(frozen=True)

    met: bool
    conflict: bool
    carbon_to_nitrogen: float
    moisture_percent: float
    carbon_to_nitrogen_miss: float | None
    moisture_miss_percent: float | None


def solve_free(
    recipe: Recipe, materials: Sequence[Material], position: int, warnings: list[str]
) -> tuple[Free, float | None]:
    """The free feedstock's mass: for C:N where that goal is set (water can still be added), else for moisture."""
    free = materials[position]
    fixed = [item for index, item in enumerate(materials) if index != position]
    goal = recipe.goal
    for_moisture = for_ratio = None
    if goal.moisture_percent is None and goal.carbon_to_nitrogen is None:
        warnings.append(f"{free.name} is free but no goal is set: set a moisture or a C:N to solve for.")
    if goal.moisture_percent is not None:
        for_moisture = sums.free_for_moisture(fixed, free, goal.moisture_percent)
        if for_moisture is None:
            warnings.append(_cannot(free, fixed, f"{goal.moisture_percent:g} % moisture"))
    if goal.carbon_to_nitrogen is not None:
        for_ratio = sums.free_for_ratio(fixed, free, goal.carbon_to_nitrogen)
        if for_ratio is None:
            warnings.append(_cannot(free, fixed, f"C:N {goal.carbon_to_nitrogen:g}"))
    both = goal.moisture_percent is not None and goal.carbon_to_nitrogen is not None
    conflict = both and not _agree(for_moisture, for_ratio)
    if conflict and for_moisture is not None and for_ratio is not None:
        warnings.append(
            f"The two goals conflict: {for_moisture:.1f} kg of {free.name} for the moisture, {for_ratio:.1f} kg for "
            f"the C:N. The figures here use {for_ratio:.1f} kg; add water if that is too dry, a dry feedstock of the "
            "same C:N if it is too wet."
        )
    elif conflict:
        warnings.append("The two goals conflict: with these feedstocks not both can be met.")
    return Free(
        name=free.name,
        for_moisture_kg=for_moisture,
        for_carbon_to_nitrogen_kg=for_ratio,
        conflict=conflict,
    ), for_ratio if for_ratio is not None else for_moisture


def choose_best(
    recipe: Recipe, materials: Sequence[Material], warnings: list[str]
) -> tuple[Best | None, list[Material]]:
    """The materials with the chosen masses; unknown figures leave them open and are named in the warnings."""
    goal = recipe.goal
    if goal.carbon_to_nitrogen is None and goal.moisture_percent is None:
        warnings.append("The best mix needs a goal: set a C:N, a moisture, or both.")
        return None, _open(recipe, materials)
    bounded = [_bounds(item, material) for item, material in zip(recipe.feedstock, materials, strict=True)]
    try:
        found = best_mix([one for one in bounded if one is not None], goal) if all(bounded) else None
    except ValueError as error:
        warnings.append(f"The best mix cannot be worked out; missing are {error}.")
        return None, _open(recipe, materials)
    if found is None:
        warnings.append("The best mix cannot be worked out: the amounts are not known in kg.")
        return None, _open(recipe, materials)
    ratio_miss = None if goal.carbon_to_nitrogen is None else found.ratio - goal.carbon_to_nitrogen
    moisture_miss = None if goal.moisture_percent is None else found.moisture - goal.moisture_percent
    best = Best(
        met=found.met,
        conflict=not found.met and found.ratio_alone is not False and found.moisture_alone is not False,
        carbon_to_nitrogen=found.ratio,
        moisture_percent=found.moisture,
        carbon_to_nitrogen_miss=ratio_miss,
        moisture_miss_percent=moisture_miss,
    )
    warnings += _how_near(best, found, goal)
    chosen = [
        item.with_mass(mass) if feedstock.in_the_yard else item
        for feedstock, item, mass in zip(recipe.feedstock, materials, found.masses_kg, strict=True)
    ]
    return best, chosen


def _bounds(item: Feedstock, material: Material) -> Bounded | None:
    if not item.in_the_yard:
        return None if material.mass_kg is None else Bounded(material, material.mass_kg, material.mass_kg)
    most = item.available_kg
    if most is None and item.available_l is not None and material.density:
        most = item.available_l * material.density / 1000.0
    return None if most is None else Bounded(material, min(item.at_least_kg or 0.0, most), most)


def _open(recipe: Recipe, materials: Sequence[Material]) -> list[Material]:
    return [
        material.with_mass(None) if item.in_the_yard else material
        for item, material in zip(recipe.feedstock, materials, strict=True)
    ]


def _how_near(best: Best, found: BestMix, goal: Goal) -> list[str]:
    said = []
    misses = []
    if best.carbon_to_nitrogen_miss is not None and not best.met:
        misses.append(_miss("C:N", best.carbon_to_nitrogen, best.carbon_to_nitrogen_miss, ""))
    if best.moisture_miss_percent is not None and not best.met:
        misses.append(_miss("moisture", best.moisture_percent, best.moisture_miss_percent, " %"))
    nearest = f"The nearest mix has {' and '.join(misses)}."
    if best.conflict and len(misses) == 2:
        said.append(f"The two goals conflict: each can be met alone, both together cannot. {nearest}")
    elif not best.met:
        out = [
            words
            for words, alone in (("the C:N", found.ratio_alone), ("the moisture", found.moisture_alone))
            if alone is False
        ]
        said.append(f"With what is in the yard {' and '.join(out) or 'the goal'} cannot be met. {nearest}")
    if found.size_short:
        wanted = f"{goal.volume_l:g} L" if goal.volume_l is not None else f"{goal.mass_kg:g} kg"
        said.append(f"What is in the yard is not enough for {wanted} of this mix; this is the largest.")
    return said


def _miss(what: str, found: float, miss: float, unit: str) -> str:
    return f"{what} {found:.1f}{unit} ({abs(miss):.1f} {'over' if miss > 0 else 'under'} the goal)"


def _agree(first: float | None, second: float | None) -> bool:
    if first is None or second is None:
        return False
    return abs(first - second) <= SAME_WITHIN * max(first, second)


def _cannot(free: Material, fixed: Sequence[Material], goal: str) -> str:
    lacking = [f"{item.name}: {', '.join(item.missing())}" for item in fixed if item.missing()]
    own = [what for what in free.missing() if what != "an amount by mass"]
    if own:
        lacking.append(f"{free.name}: {', '.join(own)}")
    if lacking:
        return f"{goal} cannot be solved for; missing are {'; '.join(lacking)}."
    return f"{goal} cannot be reached by adding {free.name}: it lies on the wrong side of what is there."
