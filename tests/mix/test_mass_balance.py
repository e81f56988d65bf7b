"""Three mixes worked out by hand, line by line, as a check on the sums. All by arithmetic from the rows beside them."""

from __future__ import annotations

from typing import Any

import pytest

from shared.mix.plan import MixAnswer, plan
from shared.mix.recipe import Recipe


def answer(*feedstock: dict[str, Any], **rest: Any) -> MixAnswer:
    return plan(Recipe.model_validate({"feedstock": list(feedstock), **rest}))


def test_grass_and_straw() -> None:
    # grass clippings 100 kg at 82 %: 18 kg dry, N 3.4 % = 0.612 kg, C:N 17 -> C 10.404 kg, water 82 kg
    # straw 40 kg at 12 %: 35.2 kg dry, N 0.7 % = 0.2464 kg, C:N 80 -> C 19.712 kg, water 4.8 kg
    # together 140 kg, water 86.8 kg = 62.0 %; C:N 30.116 / 0.8584 = 35.084
    # volume: 100/208 m3 = 480.77 L, 40/135 m3 = 296.30 L; together 777.07 L, 180.16 kg/m3
    found = answer({"from": "grass clippings", "mass_kg": 100}, {"from": "straw", "mass_kg": 40})
    assert found.moisture_percent == pytest.approx(62.0)
    assert found.carbon_to_nitrogen == pytest.approx(30.116 / 0.8584)
    assert found.volume_l == pytest.approx(777.07, abs=0.01)
    assert found.bulk_density_kg_m3 == pytest.approx(180.16, abs=0.01)


def test_horse_manure_sawdust_and_the_water_they_want() -> None:
    # horse manure 300 kg at 72 %: 84 kg dry, N 1.6 % = 1.344 kg, C:N 30 -> C 40.32 kg
    # sawdust 60 kg at 39 %: 36.6 kg dry, N 0.24 % = 0.08784 kg, C:N 442 -> C 38.82528 kg
    # water 216 + 23.4 = 239.4 of 360 kg = 66.5 %; C:N 79.14528 / 1.43184 = 55.275
    # straw 200 kg more at 12 %: 176 kg dry, N 1.232 kg, C 98.56 kg; water 263.4 of 560 kg = 47.036 %
    # dry matter 296.6 kg is 45 % of the mix at 55 %: 659.111 kg, so 99.111 kg of water
    two = [{"from": "horse manure", "mass_kg": 300}, {"from": "sawdust", "mass_kg": 60}]
    assert answer(*two).moisture_percent == pytest.approx(66.5)
    assert answer(*two).carbon_to_nitrogen == pytest.approx(79.14528 / 1.43184)
    three = answer(*two, {"from": "straw", "mass_kg": 200}, goal={"moisture_percent": 55})
    assert three.water_to_add_kg == pytest.approx(296.6 / 0.45 - 560)
    assert three.carbon_to_nitrogen == pytest.approx(177.70528 / 2.66384)


def test_buckets_of_leaves_chips_and_litter() -> None:
    # 20 L buckets. leaves 30 = 600 L at 119 kg/m3 = 71.4 kg, 38 %: 44.268 kg dry, N 0.9 %, C:N 54
    # shrub trimmings 20 = 400 L at 255 = 102 kg, 15 %: 86.7 kg dry, N 1.0 %, C:N 53
    # broiler litter 5 = 100 L at 513 = 51.3 kg, 37 %: 32.319 kg dry, N 2.7 %, C:N 14
    # N 0.398412 + 0.867 + 0.872613 = 2.138025; C 21.514248 + 45.951 + 12.216582 = 79.68183
    # water 27.132 + 15.3 + 18.981 = 61.413 of 224.7 kg
    found = answer(
        {"from": "leaves", "volume_l": 600},
        {"from": "shrub trimmings", "volume_l": 400},
        {"from": "broiler litter", "volume_l": 100},
        batches={"count": 5, "bucket_l": 20},
    )
    assert found.mass_kg == pytest.approx(224.7)
    assert found.carbon_to_nitrogen == pytest.approx(79.68183 / 2.138025)
    assert found.moisture_percent == pytest.approx(100 * 61.413 / 224.7)
    assert [share.buckets for share in found.batches[0].feedstocks] == pytest.approx([6, 4, 1])
