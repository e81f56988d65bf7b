"""The best mix of what is in the yard, against a brute-force grid and a mass balance written out by hand."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from shared.mix.plan import MixAnswer, plan
from shared.mix.recipe import Recipe

# name, moisture %, C % and N % of dry mass
GRASS = ("grass", 77.0, 45.0, 2.4)
LEAVES = ("leaves", 35.0, 50.0, 0.75)
STRAW = ("straw", 12.0, 48.0, 0.6)
MANURE = ("manure", 81.0, 45.6, 2.4)
Row = tuple[str, float, float, float]


def yard(row: Row, available_kg: float, **more: Any) -> dict[str, Any]:
    name, moisture, carbon, nitrogen = row
    return {
        "name": name, "available_kg": available_kg, "moisture_percent": moisture, "carbon_percent": carbon,
        "nitrogen_percent": nitrogen, **more,
    }  # fmt: skip


def answer(*feedstock: dict[str, Any], **goal: float) -> MixAnswer:
    return plan(Recipe.model_validate({"feedstock": list(feedstock), "goal": goal}))


def masses(found: MixAnswer) -> list[float]:
    return [share.mass_kg or 0.0 for share in found.feedstocks]


def balance(rows: list[Row], kg: list[float], water: float) -> tuple[float, float]:
    """C:N and moisture, summed by hand: water, dry mass, carbon and nitrogen of each in turn."""
    wet = carbon = nitrogen = dry = 0.0
    for (_, moisture, c, n), mass in zip(rows, kg, strict=True):
        wet += mass * moisture / 100
        own = mass - mass * moisture / 100
        dry += own
        carbon += own * c / 100
        nitrogen += own * n / 100
    return carbon / nitrogen, 100 * (wet + water) / (wet + water + dry)


def test_both_goals_are_met_where_dry_browns_and_water_allow_it() -> None:
    rows = [GRASS, STRAW, LEAVES]
    found = answer(
        yard(GRASS, 100), yard(STRAW, 60), yard(LEAVES, 60), carbon_to_nitrogen=30, moisture_percent=66
    )
    assert found.best is not None
    assert found.best.met
    assert not found.best.conflict
    ratio, moisture = balance(rows, masses(found), found.water_to_add_kg or 0.0)
    assert ratio == pytest.approx(30, rel=1e-6)
    assert moisture == pytest.approx(66, abs=1e-4)


def test_goals_that_conflict_are_told_with_how_far_they_are_missed() -> None:
    # domain sheet: grass and leaves cannot have C:N 30 and 60 % together; 3.474 kg and 6.8 kg of leaves to 10 of grass
    found = answer(yard(GRASS, 10), yard(LEAVES, 100), carbon_to_nitrogen=30, moisture_percent=60)
    assert found.best is not None
    assert found.best.conflict
    kg = masses(found)
    assert 3.474 < kg[1] / kg[0] * 10 < 6.8
    assert found.best.carbon_to_nitrogen_miss is not None
    assert found.best.carbon_to_nitrogen_miss > 0
    assert found.best.moisture_miss_percent is not None
    assert found.best.moisture_miss_percent > 0
    assert any("conflict" in said and "over the goal" in said for said in found.warnings)


@pytest.mark.parametrize(
    ("rows", "caps", "goal"),
    [
        ([GRASS, LEAVES], [10, 100], (30.0, 60.0)),
        ([MANURE, STRAW, LEAVES], [100, 4, 10], (30.0, 55.0)),
        ([MANURE, GRASS, LEAVES], [100, 50, 20], (32.0, 50.0)),
    ],
)
def test_no_mix_on_a_fine_grid_comes_nearer(
    rows: list[Row], caps: list[float], goal: tuple[float, float]
) -> None:
    found = answer(
        *(yard(row, cap) for row, cap in zip(rows, caps, strict=True)),
        carbon_to_nitrogen=goal[0], moisture_percent=goal[1],
    )  # fmt: skip
    ratio, moisture = balance(rows, masses(found), found.water_to_add_kg or 0.0)
    ours = (ratio / goal[0] - 1) ** 2 + (moisture / goal[1] - 1) ** 2
    grid = [np.linspace(0, cap, 61).tolist() for cap in caps]
    best = np.inf
    for kg in product(*grid):
        if sum(kg) == 0:
            continue
        r, m = balance(rows, list(kg), 0.0)
        best = min(best, (r / goal[0] - 1) ** 2 + (max(0.0, m / goal[1] - 1)) ** 2)
    assert ours <= best + 1e-9


def test_nothing_is_taken_that_is_not_there_and_what_must_go_in_goes_in() -> None:
    found = answer(
        yard(GRASS, 100),
        yard(STRAW, 30, at_least_kg=12),
        yard(LEAVES, 60),
        carbon_to_nitrogen=30,
        moisture_percent=60,
    )
    kg = masses(found)
    assert kg[1] >= 12 - 1e-6
    assert all(mass <= cap + 1e-6 for mass, cap in zip(kg, (100, 30, 60), strict=True))


def test_the_mix_has_the_size_that_was_asked_for_or_says_that_there_is_not_enough() -> None:
    stock = (yard(GRASS, 100), yard(STRAW, 60), yard(LEAVES, 60))
    small = answer(*stock, carbon_to_nitrogen=30, moisture_percent=60, mass_kg=40)
    assert sum(masses(small)) == pytest.approx(40, rel=1e-6)
    huge = answer(*stock, carbon_to_nitrogen=30, moisture_percent=60, mass_kg=4000)
    assert any("not enough" in said for said in huge.warnings)
    dense = (yard(GRASS, 100, bulk_density_kg_m3=208), yard(STRAW, 60, bulk_density_kg_m3=135))
    litres = answer(*dense, carbon_to_nitrogen=30, volume_l=200)
    assert litres.volume_l == pytest.approx(200, rel=1e-6)


def test_a_given_amount_stays_as_it_is() -> None:
    fixed = {
        "name": "grass",
        "mass_kg": 10,
        "moisture_percent": 77,
        "carbon_percent": 45,
        "nitrogen_percent": 2.4,
    }
    found = answer(fixed, yard(LEAVES, 100), carbon_to_nitrogen=30)
    assert masses(found) == pytest.approx([10, 3.474], abs=0.001)


def test_what_is_missing_is_named_and_nothing_is_made_up() -> None:
    found = answer({"name": "mystery", "available_kg": 10}, yard(LEAVES, 100), carbon_to_nitrogen=30)
    assert found.best is None
    assert found.mass_kg is None
    assert any("mystery" in said and "moisture" in said for said in found.warnings)
    goalless = answer(yard(LEAVES, 100))
    assert any("needs a goal" in said for said in goalless.warnings)


def test_a_goal_beyond_everything_there_is_gets_the_nearest() -> None:
    found = answer(yard(GRASS, 10), yard(MANURE, 10), carbon_to_nitrogen=40)
    assert found.best is not None
    assert not found.best.met
    assert not found.best.conflict
    assert found.best.carbon_to_nitrogen == pytest.approx(19.0)  # the manure alone: 45.6 / 2.4
    assert any("cannot be met" in said for said in found.warnings)


@settings(max_examples=30)
@given(
    st.lists(st.tuples(st.floats(5, 90), st.floats(30, 55), st.floats(0.2, 5), st.floats(1, 500)), min_size=2, max_size=4),
    st.floats(15, 60),
    st.floats(40, 70),
)  # fmt: skip
def test_what_is_called_met_is_met(
    stock: list[tuple[float, float, float, float]], ratio: float, moisture: float
) -> None:
    rows = [(f"f{index}", m, c, n) for index, (m, c, n, _) in enumerate(stock)]
    found = answer(
        *(yard(row, cap) for row, (*_, cap) in zip(rows, stock, strict=True)),
        carbon_to_nitrogen=ratio, moisture_percent=moisture,
    )  # fmt: skip
    assert found.best is not None
    assume(found.best.met)
    at_ratio, at_moisture = balance(rows, masses(found), found.water_to_add_kg or 0.0)
    assert at_ratio == pytest.approx(ratio, rel=2e-4)
    assert at_moisture == pytest.approx(moisture, rel=2e-4)
