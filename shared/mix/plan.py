"""From a recipe to what goes into the pile: totals, buckets, equal batches, and every warning in words."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import BaseModel, ConfigDict

from shared.mix import sums
from shared.mix.material import Material, material_of
from shared.mix.recipe import Recipe

# C:N 25-35 ideal, 20-40 acceptable; moisture 45-60 % ideal, 40-65 acceptable; at most 593 kg/m3 (1 000 lb/cu yd):
# L. Cooperband, The Art and Science of Composting, 2002, as tabled in a teaching worksheet
RATIO_IDEAL, RATIO_ACCEPTABLE = (25.0, 35.0), (20.0, 40.0)
MOISTURE_IDEAL, MOISTURE_ACCEPTABLE = (45.0, 60.0), (40.0, 65.0)
DENSEST_KG_M3 = 593.3
SAME_WITHIN = 0.05  # two answers for the free feedstock closer than this agree


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


class Free(_Part):
    name: str
    for_moisture_kg: float | None
    for_carbon_to_nitrogen_kg: float | None
    conflict: bool


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


def plan(recipe: Recipe) -> MixAnswer:
    """Work out ``recipe``. Never raises for missing figures: they stay None and are named in the warnings."""
    warnings: list[str] = []
    materials = [material_of(item) for item in recipe.feedstock]
    free = None
    position = next((index for index, item in enumerate(recipe.feedstock) if item.free), None)
    if position is not None:
        free, mass = _solve(recipe, materials, position, warnings)
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
    _judge(ratio, moisture, density, warnings)
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
    )


def _solve(
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


def _judge(ratio: float | None, moisture: float | None, density: float | None, warnings: list[str]) -> None:
    if ratio is not None:
        _window(
            f"C:N {ratio:.1f}",
            ratio,
            RATIO_IDEAL,
            RATIO_ACCEPTABLE,
            ("nitrogen-rich: expect ammonia", "slow to heat: short of nitrogen"),
            warnings,
        )
    if moisture is not None:
        _window(f"Moisture {moisture:.1f} %", moisture, MOISTURE_IDEAL, MOISTURE_ACCEPTABLE, ("dry: slow or no heat", "wet: short of air"), warnings)  # fmt: skip
    if density is not None and density > DENSEST_KG_M3:
        warnings.append(
            f"Bulk density {density:.0f} kg/m3 is over 593: too dense to breathe; add coarse material."
        )


def _window(
    what: str,
    value: float,
    ideal: tuple[float, float],
    acceptable: tuple[float, float],
    sides: tuple[str, str],
    warnings: list[str],
) -> None:
    if ideal[0] <= value <= ideal[1]:
        return
    side = sides[0] if value < ideal[0] else sides[1]
    inside = acceptable[0] <= value <= acceptable[1]
    verdict = "acceptable, not ideal" if inside else "outside the acceptable window"
    warnings.append(
        f"{what} is {verdict} (ideal {ideal[0]:g}-{ideal[1]:g}, acceptable {acceptable[0]:g}-{acceptable[1]:g}): {side}."
    )


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
