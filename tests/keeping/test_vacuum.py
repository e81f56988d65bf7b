"""Empty pages go back to the disk: a few at a time beside whoever writes, and a file of old in one piece."""

from __future__ import annotations

import shutil
import sqlite3
from collections import namedtuple
from contextlib import closing
from pathlib import Path

import pytest

from deploy.cli import run
from shared.ports import StorageError
from shared.readings import Reading, SensorKey
from shared.stores import open_readings, open_registry
from shared.stores.vacuum import give_back, look, rebuild
from shared.times import MINUTE, Millis, Span
from tests.contracts.readings_made import EVER

KEYS = [SensorKey("yard", f"P{number}", "45") for number in range(40)]
HALF = 400


def filled(path: Path) -> list[tuple[SensorKey, Millis]]:
    """Gives those of the first half."""
    store = open_readings(path)
    rows = [
        Reading(key, Millis(step * 10 * MINUTE), 50.0, Millis(step))
        for step in range(2 * HALF)
        for key in KEYS
    ]
    store.append(rows)
    store.close()
    return [(row.sensor, row.at) for row in rows[: len(rows) // 2]]


@pytest.fixture
def half_empty(tmp_path: Path) -> Path:
    path = tmp_path / "readings.db"
    first_half = filled(path)
    store = open_readings(path)
    store.withdraw(first_half)
    store.close()
    return path


def made_of_old(path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")
        connection.execute("PRAGMA auto_vacuum=NONE")
        connection.execute("VACUUM")
    assert not look(path).by_steps


def test_a_file_gives_back_by_steps_while_others_read_and_write(half_empty: Path) -> None:
    store, before = open_readings(half_empty), half_empty.stat().st_size
    at = Millis(10**10)

    def go_on() -> bool:
        nonlocal at
        at = Millis(at + MINUTE)
        return store.append([Reading(KEYS[0], at, 60.0, at)]).stored == 1

    given = give_back(half_empty, go_on)
    assert given > 0.3 * before
    assert half_empty.stat().st_size <= before - given + 4096 * 4
    assert store.count() == HALF * len(KEYS) + (at - 10**10) // MINUTE
    assert len(store.read(KEYS[1], Span(Millis(0)))) == HALF
    store.close()


def test_it_stops_when_it_is_told_to_and_goes_on_the_next_time(half_empty: Path) -> None:
    assert give_back(half_empty, lambda: False) == 0
    assert give_back(half_empty, lambda: True) > 0


def test_a_file_with_little_to_give_is_left_alone(tmp_path: Path) -> None:
    filled(tmp_path / "readings.db")
    assert give_back(tmp_path / "readings.db", lambda: pytest.fail("nothing was to be done")) == 0


def test_a_file_of_old_is_rebuilt_once_and_gives_back_by_steps_from_then_on(half_empty: Path) -> None:
    first_half = filled(half_empty)
    made_of_old(half_empty)
    store = open_readings(half_empty)
    assert store.withdraw(first_half) == len(first_half)
    store.close()
    assert give_back(half_empty, lambda: True) == 0
    assert rebuild(half_empty) > 0
    assert look(half_empty).by_steps
    store = open_readings(half_empty)
    assert store.count() == HALF * len(KEYS)
    store.close()


def test_too_little_room_is_said_before_anything_is_done(
    half_empty: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = namedtuple("usage", "total used free")  # noqa: PYI024  # as shutil gives it
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(10**6, 10**6, 1000))
    before = half_empty.read_bytes()
    with pytest.raises(StorageError, match="of free disk"):
        rebuild(half_empty)
    assert half_empty.read_bytes() == before


def test_the_command_names_each_file(half_empty: Path, capsys: pytest.CaptureFixture[str]) -> None:
    open_registry(half_empty.parent / "registry.db").close()
    made_of_old(half_empty)
    assert run(["vacuum", "--data", str(half_empty.parent)]) == 0
    out = capsys.readouterr().out
    assert "registry.db: 0.0 MiB given back" in out
    assert "readings.db:" in out
    assert look(half_empty).by_steps


def test_what_thinning_leaves_half_full_is_named_and_given_back_by_a_rebuild(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "readings.db"
    filled(path)
    open_registry(tmp_path / "registry.db").close()
    store = open_readings(path)
    every_other = [
        (one.sensor, Millis(at))
        for one in store.sensors()
        for at in store.read(one.sensor, EVER).at[::2].tolist()
    ]
    store.withdraw(every_other)
    left = store.count()
    store.close()
    told = ["vacuum", "--data", str(tmp_path)]
    assert run(told) == 0
    assert "lie unused within its pages; --rebuild gives them back" in capsys.readouterr().out
    before = path.stat().st_size
    assert run([*told, "--rebuild"]) == 0
    assert "unused" not in capsys.readouterr().out
    assert path.stat().st_size < 0.75 * before
    store = open_readings(path)
    assert store.count() == left
    store.close()
