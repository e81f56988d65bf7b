"""What is exported reads back to the same sums."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from deploy.cli import run
from deploy.house import open_house
from shared.piles import Pile, Placement, Site, Turn
from shared.readings import Reading, SensorKey
from shared.settings import Settings
from shared.times import HOUR, MINUTE, Millis, Span, parse_time

BUILT = parse_time("2026-09-01T08:00:00Z")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    house = open_house(tmp_path / "data", Settings(), create=True)
    house.registry.sites.add(Site("yard", "Larkfield Yard", "Europe/Dublin"))
    house.registry.piles.add(Pile("p1", "yard", "K-01", BUILT))
    house.registry.piles.add_turn(Turn("t1", "p1", Millis(BUILT + 60 * HOUR), note="=2+2"))
    house.registry.probes.place(Placement("w1", "yard", "lance-01", "p1", Span(BUILT), "core"))
    key = SensorKey("yard", "lance-01", "45")
    curve = 55.0 + 8.0 * np.sin(np.arange(600) / 40.0)
    house.readings.append(
        [Reading(key, Millis(BUILT + step * 10 * MINUTE), float(c), BUILT) for step, c in enumerate(curve)]
    )
    house.close()
    return tmp_path / "data"


def test_the_csv_of_an_export_gives_the_hours_of_its_json(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert run(["export", str(out), "--data", str(data)]) == 0
    facts = json.loads((out / "K-01-p1.json").read_text())
    assert facts["pile"]["built_at"] == "2026-09-01T08:00:00Z"
    assert facts["turns"][0]["note"] == "=2+2"
    turns = tmp_path / "turns.csv"
    turns.write_text("time\n" + facts["turns"][0]["at"] + "\n")
    capsys.readouterr()
    again = ["analyse", str(out / "K-01-p1.csv"), "--turns", str(turns), "--built", facts["pile"]["built_at"]]
    assert run([*again, "--format", "json"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert report["hottest"]["hours_above"] == facts["heat"]["hottest"]["hours_above"]
    assert report["hottest"]["hours_above"]["55"] > 10


def test_a_folder_that_holds_something_is_left_alone(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "mine.txt").write_text("mine")
    assert run(["export", str(out), "--data", str(data)]) == 2
    assert [file.name for file in out.iterdir()] == ["mine.txt"]
    assert "not an empty directory" in capsys.readouterr().err
