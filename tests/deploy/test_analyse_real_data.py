"""``analyse`` on a real record: one heap of broiler litter, 2023.

Data: J. N. Kamp and A. Feilberg, Aarhus University, data to "Ammonia, methane, and nitrous oxide emissions from
stockpiled broiler litter" (2024), CC BY 4.0. Expected hours: straight lines between samples, gaps over 3 h not counted,
as listed with the data, to a tenth of an hour.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from deploy.cli import turnbell

FILE = Path(__file__).parents[1] / "cases" / "broiler-litter-2023" / "pile_temperatures.csv"


@pytest.fixture(scope="module")
def report() -> dict[str, Any]:
    done = CliRunner().invoke(turnbell, ["analyse", str(FILE), "--format", "json"])
    assert done.exit_code == 0, done.output
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_hours_above_55_are_those_listed_with_the_data(report: dict[str, Any]) -> None:
    listed = {
        ("place-B", "middle"): 113.3, ("place-A", "middle"): 173.3, ("place-C", "middle"): 6.8, ("place-C", "top"): 2.2,
    }  # fmt: skip
    assert len(report["sensors"]) == 12
    for sensor in report["sensors"]:
        expected = listed.get((sensor["probe"], sensor["level"]), 0.0)
        assert sensor["hours_above"]["55"] == pytest.approx(expected, abs=0.06)


def test_hours_are_those_of_the_trapezoid_by_hand(report: dict[str, Any]) -> None:
    """The formula of a line over a threshold, written out with pandas and numpy alone."""
    table = pd.read_csv(FILE)
    hours = pd.to_datetime(table["time"], utc=True).astype("datetime64[ms, UTC]").astype("int64") / 3.6e6
    for sensor in report["sensors"]:
        mine = (table["probe"] == sensor["probe"]) & (table["level"] == sensor["level"])
        order = np.argsort(hours[mine].to_numpy(), kind="stable")
        at, celsius = hours[mine].to_numpy()[order], table["celsius"][mine].to_numpy()[order]
        length = np.diff(at)
        for threshold in (40, 45, 50, 55):
            a, b = celsius[:-1] - threshold, celsius[1:] - threshold
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.select(
                    [(a >= 0) & (b >= 0), (a < 0) & (b < 0), a >= 0], [1.0, 0.0, a / (a - b)], b / (b - a)
                )
            expected = (length * share)[length <= 3].sum()
            assert sensor["hours_above"][str(threshold)] == pytest.approx(expected, abs=1e-4)


def test_the_peak_and_the_silent_sensors_are_told(report: dict[str, Any]) -> None:
    assert report["hottest"]["peak_c"] == pytest.approx(59.0, abs=0.05)
    assert report["coldest"]["now_c"] is None, "three sensors are silent: the coldest is not known"
    last = {(sensor["probe"], sensor["level"]): sensor["last_at"] for sensor in report["sensors"]}
    assert last["place-B", "middle"] < last["place-C", "middle"] < last["place-A", "middle"]


def test_no_turn_is_made_up_where_none_was_made(report: dict[str, Any]) -> None:
    assert [turn for turn in report["turns"] if turn["state"] == "confirmed"] == []
    assert len(report["cycles"]) == 1


def test_no_rule_is_said_to_be_supported(report: dict[str, Any]) -> None:
    assert {rule["status"] for rule in report["rules"]} == {"open"}
    assert all(rule["missing"] for rule in report["rules"])
