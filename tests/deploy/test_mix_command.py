"""`turnbell mix` with the yard's own feedstocks."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from deploy.cli import run
from deploy.house import open_house
from shared.mix.recipe import TableRow
from shared.own_feedstocks import keep_row
from shared.settings import Settings


def test_a_recipe_may_name_an_own_feedstock(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    house = open_house(tmp_path / "data", Settings(), create=True)
    keep_row(
        house.registry, TableRow(name="sweepings", status="own", moisture_percent=40, bulk_density_kg_m3=400)
    )
    house.close()
    recipe = tmp_path / "mix.toml"
    recipe.write_text('[[feedstock]]\nfrom = "sweepings"\nvolume_l = 100\n', "utf-8")
    assert run(["mix", str(recipe), "--format", "json", "--data", str(tmp_path / "data")]) == 0
    assert json.loads(capsys.readouterr().out)["mass_kg"] == pytest.approx(40)
    assert run(["mix", str(recipe)]) == 2
    assert "sweepings" in capsys.readouterr().err
    assert run(["mix", str(recipe), "--data", str(tmp_path / "nowhere")]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
