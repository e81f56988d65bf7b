"""POST /mix and the feedstocks that it may name."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

MANURE_AND_PAPER: dict[str, Any] = {
    "goal": {"moisture_percent": 60},
    "batches": {"count": 2, "bucket_l": 20},
    "feedstock": [{"from": "cattle manure", "mass_kg": 100}, {"from": "newsprint", "free": True}],
}


def test_the_answer_has_the_shape_of_the_contract(viewer: TestClient) -> None:
    found = viewer.post("/api/v1/mix", json=MANURE_AND_PAPER).json()
    assert {
        "mass_kg", "volume_l", "moisture_percent", "carbon_to_nitrogen", "bulk_density_kg_m3", "water_to_add_kg",
        "feedstocks", "batches", "free", "warnings",
    } <= set(found)  # fmt: skip
    # arithmetic on T. Richard's table, Cornell 2014: 38.5 kg of newsprint for 60 %
    assert found["free"]["for_moisture_kg"] == pytest.approx(38.5, abs=0.05)
    assert found["free"]["name"] == "newsprint"
    assert len(found["batches"]) == 2
    assert found["volume_l"] is None


def test_the_best_mix_is_answered_too(viewer: TestClient) -> None:
    asked = {
        "goal": {"carbon_to_nitrogen": 30},
        "feedstock": [
            {"from": "cattle manure", "available_kg": 100},
            {"from": "newsprint", "available_kg": 50},
        ],
    }
    found = viewer.post("/api/v1/mix", json=asked).json()
    # the same table: 8.92 kg of newsprint to 100 kg of manure
    assert found["best"]["met"] is True
    assert [one["mass_kg"] for one in found["feedstocks"]] == pytest.approx([100, 8.92], abs=0.01)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"feedstock": []}, "body.feedstock"),
        ({"feedstock": [{"from": "moon dust", "mass_kg": 1}]}, "body.feedstock"),
        ({"feedstock": [{"name": "x"}]}, "body.feedstock.0"),
        ({"feedstock": [{"name": "x", "mass_kg": -1}]}, "body.feedstock.0.mass_kg"),
        ({"feedstock": [{"name": "x", "mass_kg": 1, "colour": "red"}]}, "body.feedstock.0.colour"),
        ({"goal": {"moisture_percent": 100}}, "body.goal.moisture_percent"),
        ({"rule_ids": ["no-such-rule"]}, "body.rule_ids"),
        ({"name": "a\nb"}, "body.name"),
    ],
)
def test_bad_input_is_told_where_it_is_wrong(viewer: TestClient, change: dict[str, Any], where: str) -> None:
    answer = viewer.post("/api/v1/mix", json=MANURE_AND_PAPER | change)
    assert answer.status_code == 422
    assert answer.headers["content-type"].startswith("application/problem+json")
    assert where in [fault["where"] for fault in answer.json()["errors"]]


def test_a_rule_that_is_chosen_brings_its_start_window(viewer: TestClient) -> None:
    asked = MANURE_AND_PAPER | {"rule_ids": ["us-organic-windrow"]}
    assert any("25:1 to 40:1" in said for said in viewer.post("/api/v1/mix", json=asked).json()["warnings"])


def test_the_table_says_how_far_each_row_is_backed(viewer: TestClient) -> None:
    found = viewer.get("/api/v1/feedstocks").json()["items"]
    status = {row["name"]: row["status"] for row in found}
    assert status["cattle manure"] == "read"
    assert status["straw"] == "from memory, unverified"


def test_an_own_feedstock_is_kept_used_and_taken_away(manager: TestClient, viewer: TestClient) -> None:
    own = {"moisture_percent": 20, "carbon_percent": 45, "nitrogen_percent": 0.5, "bulk_density_kg_m3": 90}
    assert manager.put("/api/v1/feedstocks/straw", json=own).status_code == 200
    assert manager.put("/api/v1/feedstocks/barn%20sweepings", json=own).json()["status"] == "own"
    asked = {"feedstock": [{"from": "straw", "volume_l": 1000}, {"from": "barn sweepings", "mass_kg": 10}]}
    assert viewer.post("/api/v1/mix", json=asked).json()["mass_kg"] == pytest.approx(100)
    assert manager.delete("/api/v1/feedstocks/straw").status_code == 204
    assert manager.delete("/api/v1/feedstocks/straw").status_code == 404
    rows = {row["name"]: row for row in viewer.get("/api/v1/feedstocks").json()["items"]}
    assert rows["straw"]["status"] == "from memory, unverified"
    assert rows["barn sweepings"]["bulk_density_kg_m3"] == 90
