"""`turnbell import`: preview, store, take back; a user's mistake is one line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from deploy.cli import run
from deploy.house import open_house
from shared.piles import Pile, Site
from shared.settings import Settings
from shared.times import parse_time

BUILT = parse_time("2026-09-01T08:00:00Z")
WIDE = (
    "timestamp\tcore 45 cm\ttop 20 cm\n2026-09-02 10:00\t60,5\t55,0\n2026-09-02 10:30\tN/A\t55,5\n"
    "2026-09-02 11:00\t61,5\t56,0\n"
)  # fmt: skip


@pytest.fixture
def data(tmp_path: Path) -> Path:
    house = open_house(tmp_path / "data", Settings(), create=True)
    house.registry.sites.add(Site("yard", "Larkfield Yard", "Europe/Dublin"))
    house.registry.piles.add(Pile("p1", "yard", "K-01", BUILT))
    house.close()
    (tmp_path / "wide.csv").write_text(WIDE, "utf-8")
    return tmp_path / "data"


def turnbell(*words: str) -> int:
    return run(["import", *words])


def stored(data: Path) -> int:
    house = open_house(data, Settings())
    try:
        return house.readings.count()
    finally:
        house.close()


def test_a_preview_stores_nothing(data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    at = ["--pile", "K-01", "--zone", "Europe/Dublin", "--data", str(data)]
    assert turnbell(str(tmp_path / "wide.csv"), *at, "--preview") == 0
    said = capsys.readouterr().out
    assert "3 rows, wide" in said
    assert "tabs" in said
    assert (
        "core 45 cm 45: 2 readings, 2026-09-02T09:00:00Z to 2026-09-02T10:00:00Z, 60.5 to 61.5 °C, 1 faults"
        in said
    )
    assert stored(data) == 0


def test_what_was_stored_can_be_taken_back(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at = ["--pile", "K-01", "--zone", "Europe/Dublin", "--probe", "logger", "--data", str(data)]
    assert turnbell(str(tmp_path / "wide.csv"), *at) == 0
    said = capsys.readouterr().out
    assert "5 readings stored for K-01, 0 were there already" in said
    assert "1 cells held no number" in said
    assert "Placed in K-01 for the time they cover: logger." in said
    assert stored(data) == 5
    (id_,) = re.findall(r"--undo (\S+)", said)
    assert turnbell("--undo", id_, "--data", str(data)) == 0
    assert "5 readings taken back" in capsys.readouterr().out
    assert stored(data) == 0
    assert turnbell("--undo", id_, "--data", str(data)) == 2


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("when,what\n1,2\n", "no time column"),
        ("", "no header"),
        ("time,probe,depth_cm,celsius\n", "no readings"),
        ("time,core\n2026-09-02 10:00,60\n", "no UTC offset"),
        ("time,core\nyesterday,60\n", "yesterday"),
    ],
)
def test_a_file_that_cannot_be_used_says_why_in_one_line(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, why: str
) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text(text, "utf-8")
    assert turnbell(str(bad), "--pile", "K-01", "--data", str(data)) == 2
    said = capsys.readouterr().err.strip()
    assert len(said.splitlines()) == 1
    assert why in said
    assert "Traceback" not in said


@pytest.mark.parametrize(
    "words",
    [[], ["x.csv"], ["--undo", "nobody"], ["nowhere.csv", "--pile", "K-01"], ["wide.csv", "--pile", "K-77"]],
)
def test_a_mistake_is_told_and_stores_nothing(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    words = [str(tmp_path / word) if word.endswith(".csv") else word for word in words]
    assert turnbell(*words, "--data", str(data)) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
    assert stored(data) == 0
