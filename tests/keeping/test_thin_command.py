"""`turnbell thin`: what it says, and the settings without which it does nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from deploy.cli import run
from shared.settings import Settings, SettingsError
from shared.settings_read import load_settings

CONFIG = "[keeping]\nten_minutes_after_days = 100\nhourly_after_days = 400\n"


def test_the_command_names_each_batch_and_its_figures(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "turnbell.toml"
    config.write_text(CONFIG)
    told = ["thin", "--data", str(data), "--config", str(config)]
    assert run([*told, "--dry-run"]) == 0
    would = capsys.readouterr().out
    assert "K-01 of yard, finished 2024-03-03:" in would
    assert "readings would go" in would
    assert run(told) == 0
    went = capsys.readouterr().out
    assert would.replace("would go", "went") == went
    assert run(told) == 0
    assert capsys.readouterr().out == "0 readings went\n"


def test_without_a_setting_every_reading_is_kept(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["thin", "--data", str(data)]) == 2
    assert "every reading is kept" in capsys.readouterr().err


def test_a_far_store_thins_by_its_own_means(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "turnbell.toml"
    config.write_text(CONFIG + '[readings]\nurl = "victoria://127.0.0.1:9"\n')
    (tmp_path / "far").mkdir()
    assert run(["thin", "--data", str(tmp_path / "far"), "--config", str(config)]) == 2
    assert "far store" in capsys.readouterr().err


def test_hourly_comes_later_than_ten_minutes(tmp_path: Path) -> None:
    assert Settings().keeping.levels == []
    file = tmp_path / "turnbell.toml"
    file.write_text("[keeping]\nten_minutes_after_days = 90\nhourly_after_days = 90\n")
    with pytest.raises(SettingsError, match="must be more than"):
        load_settings(file, {})
