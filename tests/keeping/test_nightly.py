"""The night's work: done once a night, by the service or by a timer, with a backup that comes back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from deploy.backups_kept import nightly_backup
from deploy.cli import run
from deploy.house import House
from deploy.nightly import NightlyLoop, do
from shared.settings import Settings
from shared.times import DAY, HOUR, Millis
from tests.keeping.aged_yard import NOW, SetClock, opened


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "backups"
    folder.mkdir()
    return folder


@pytest.fixture
def house(tmp_path: Path, folder: Path) -> Iterator[House]:
    settings = Settings.model_validate({"keeping": {"backup_to": folder, "backups_kept": 3}})
    with opened(tmp_path / "data", settings) as house:
        yield house


def _at(house: House, at: int) -> None:
    assert isinstance(house.clock, SetClock)
    house.clock.at = Millis(at)


def test_every_night_leaves_a_backup_and_the_oldest_go(house: House, folder: Path, tmp_path: Path) -> None:
    (folder / "turnbell-mine.backup").write_text("somebody's own")
    loop = NightlyLoop(house)
    for night in range(5):
        _at(house, NOW + night * DAY)
        assert loop.step(lambda: True)
        assert not loop.step(lambda: True)
    assert sorted(one.name for one in folder.iterdir()) == [
        "turnbell-2025-07-18.backup",
        "turnbell-2025-07-19.backup",
        "turnbell-2025-07-20.backup",
        "turnbell-mine.backup",
    ]
    assert run(["restore", str(folder / "turnbell-2025-07-20.backup"), "--data", str(tmp_path / "new")]) == 0


def test_a_second_run_on_the_same_day_keeps_the_file_that_is_there(house: House, folder: Path) -> None:
    file = nightly_backup(house)
    assert file is not None
    made = file.stat().st_mtime_ns
    _at(house, NOW + HOUR)
    assert nightly_backup(house) == file
    assert file.stat().st_mtime_ns == made


def test_a_folder_that_is_not_there_is_named_by_the_log_the_command_and_the_doctor(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, config = tmp_path / "data", tmp_path / "turnbell.toml"
    with opened(data):
        pass
    config.write_text(f'[keeping]\nbackup_to = "{tmp_path / "stick"}"\n')
    told = ["--data", str(data), "--config", str(config)]
    assert run(["check", *told]) == 0
    assert "warn  backup: none was made yet" in capsys.readouterr().out
    assert run(["nightly", *told]) == 1
    assert f"there is no folder {tmp_path / 'stick'}" in capsys.readouterr().err
    assert run(["check", *told]) == 1
    assert "FAIL  backup: there is no folder" in capsys.readouterr().out
    (tmp_path / "stick").mkdir()
    assert run(["nightly", *told]) == 0
    assert str(tmp_path / "stick" / "turnbell-") in capsys.readouterr().out
    assert run(["check", *told]) == 0
    assert "ok    backup: the last one is of" in capsys.readouterr().out


def test_a_backup_of_days_ago_is_a_failure_to_the_doctor(
    house: House, tmp_path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    nightly_backup(house)
    config = tmp_path / "turnbell.toml"
    config.write_text(f'[keeping]\nbackup_to = "{folder}"\n')
    assert run(["check", "--data", str(tmp_path / "data"), "--config", str(config)]) == 1
    assert "FAIL  backup: the last one is of 2025-07-" in capsys.readouterr().out


def test_without_a_folder_the_night_is_done_all_the_same(tmp_path: Path) -> None:
    with opened(tmp_path / "data", Settings()) as house:
        night = do(replace(house), lambda: True)
    assert night is not None
    assert (night.backup, night.trouble, night.thinned) == (None, "", 0)
