"""Air, start windows and questions: what a recipe is warned of."""

from __future__ import annotations

from typing import Any

import pytest

from shared.heat.catalogue import Catalogue
from shared.mix.air import free_air_space
from shared.mix.plan import MixAnswer, plan
from shared.mix.recipe import Recipe, TableRow, UnknownFeedstock, table

ORGANIC = Catalogue.load().rule("us-organic-windrow")


def answer(*feedstock: dict[str, Any], **rest: Any) -> MixAnswer:
    return plan(Recipe.model_validate({"feedstock": list(feedstock), **rest}), rules=[ORGANIC])


@pytest.mark.parametrize(("ratio", "inside"), [(24.9, False), (25, True), (40, True), (40.1, False)])
def test_the_organic_start_window_has_both_its_edges(ratio: float, inside: bool) -> None:
    # 7 CFR 205.203(c)(2): initial C:N of between 25:1 and 40:1
    found = answer(
        {
            "name": "x",
            "mass_kg": 10,
            "moisture_percent": 55,
            "carbon_to_nitrogen": ratio,
            "nitrogen_percent": 1,
        }
    )
    assert found.carbon_to_nitrogen == pytest.approx(ratio)
    assert any("205.203" in said for said in found.warnings) is not inside


def test_a_ratio_that_is_unknown_or_rough_cannot_show_the_window() -> None:
    assert any(
        "unknown" in said for said in answer({"name": "x", "mass_kg": 1}).warnings if "205.203" in said
    )
    rough = answer({"name": "x", "mass_kg": 1, "carbon_to_nitrogen": 30})
    assert any("cannot show it" in said for said in rough.warnings if "205.203" in said)


def test_free_air_space_by_hand() -> None:
    # arithmetic: 1 m3 of 500 kg at 60 %: 300 kg water = 0.3 m3; 200 kg dry, 90 % organic: 180/1600 + 20/2500 = 0.1205 m3
    assert free_air_space(500, 60, 90) == pytest.approx(100 * (1 - 0.3 - 0.1125 - 0.008))
    assert free_air_space(1500, 60, 90) == 0.0


def test_water_that_is_added_takes_air_away() -> None:
    straw = {"from": "straw", "mass_kg": 100}
    dry, wet = answer(straw), answer(straw, goal={"moisture_percent": 60})
    assert dry.free_air_space_percent is not None
    assert wet.free_air_space_percent is not None
    assert wet.free_air_space_percent < dry.free_air_space_percent
    # 100 kg at 12 % to 60 %: 120 kg of water in 100/135 m3
    assert wet.as_built_density_kg_m3 == pytest.approx(220 * 0.135 * 10)
    assert wet.bulk_density_kg_m3 == pytest.approx(135)


def test_fine_material_is_warned_of_and_coarse_is_not() -> None:
    sawdust = {"from": "sawdust", "mass_kg": 100, "particle_mm": 1}
    assert any("too fine" in said for said in answer(sawdust).warnings)
    assert not any("too fine" in said for said in answer({**sawdust, "particle_mm": 20}).warnings)


def test_manure_is_asked_of_fodder_and_medicine_and_wood_of_its_treatment() -> None:
    found = answer({"from": "horse manure", "mass_kg": 1}, {"name": "pallet chips", "mass_kg": 1})
    asked = {(one.feedstock, one.id) for one in found.questions}
    assert {("horse manure", "medicine"), ("horse manure", "sprays"), ("pallet chips", "treated")} <= asked
    assert ("pallet chips", "medicine") not in asked


def test_own_rows_stand_beside_the_table_and_over_it() -> None:
    own = TableRow(name="straw", status="own", moisture_percent=20, carbon_percent=45, nitrogen_percent=0.5)
    recipe = Recipe.model_validate({"feedstock": [{"from": "straw", "mass_kg": 1}]})
    assert plan(recipe, {**table(), "straw": own}).moisture_percent == pytest.approx(20)


def test_a_name_that_is_in_no_table_is_refused_with_those_that_are() -> None:
    with pytest.raises(UnknownFeedstock, match="straw"):
        answer({"from": "moon dust", "mass_kg": 1})


def test_three_mixes_balance_by_hand() -> None:
    # each by hand: water and dry mass add up, carbon and nitrogen are shares of the dry mass
    manure_straw = answer({"from": "cattle manure", "mass_kg": 200}, {"from": "straw", "mass_kg": 50})
    # water 162 + 6 of 250 kg; dry 38 + 44; C 38*.456 + 44*.56; N 38*.024 + 44*.007 (straw: 0.7 % N, C:N 80)
    assert manure_straw.moisture_percent == pytest.approx(100 * 168 / 250)
    assert manure_straw.carbon_to_nitrogen == pytest.approx((17.328 + 24.64) / (0.912 + 0.308))
    fish_paper = answer({"from": "fish wastes", "mass_kg": 10}, {"from": "newsprint", "mass_kg": 20})
    # water 7.6 + 1.1 of 30; dry 2.4 + 18.9; C .9168 + 11.8125; N .2544 + .0189
    assert fish_paper.moisture_percent == pytest.approx(29.0)
    assert fish_paper.carbon_to_nitrogen == pytest.approx(12.7293 / 0.2733)
    weed_leaves = answer(
        {"from": "seaweed", "volume_l": 100, "bulk_density_kg_m3": 400}, {"from": "leaves", "mass_kg": 60}
    )
    # 40 kg seaweed: water 21.2, dry 18.8, C 6.0724, N .3572; 60 kg leaves: water 22.8, dry 37.2, N .3348, C 18.0792
    assert weed_leaves.moisture_percent == pytest.approx(44.0)
    assert weed_leaves.carbon_to_nitrogen == pytest.approx(24.1516 / 0.692)
