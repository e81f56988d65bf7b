"""A store of every earlier step of its tables opens with all that it held, and its reports can be read."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine

from deploy.backup import backup, restore
from deploy.house import open_house
from shared.settings import Settings
from shared.stores import open_line_readings, open_readings, open_registry, parse_address, readings_schema
from shared.stores.line import tables as line
from shared.times import Millis, Span
from tests.contracts.postgresql import Server
from tests.keeping.old_stores import (
    FINISHED,
    FOLDER,
    SENSORS,
    copy_rows,
    loaded,
    readings,
    revisions,
    to_revision,
)  # fmt: skip

READINGS = [str(number) for number in range(1, len(readings_schema.STEPS) + 1)]
ROOT = Path(__file__).parents[2]
OPEN_WITH_LITTLE_ROOM = """
import resource, signal, sys
from pathlib import Path
from shared.ports import StorageError
from shared.stores import open_readings
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]),) * 2)
try:
    open_readings(Path(sys.argv[1]))
except StorageError as error:
    print(type(error).__name__, error)
"""
HOURS_ABOVE_55 = {"hottest": 42.484811, "coldest": 39.755556}
"""As the program of the first dumps worked them out from the readings in them."""


def rows(path: Path) -> dict[str, list[dict[str, Any]]]:
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        names = [
            name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        ]
        found = {
            name: [dict(row) for row in connection.execute(f'SELECT * FROM "{name}"')]  # noqa: S608  # its own names
            for name in names
            if name not in {"sqlite_sequence", "alembic_version"}
        }
    if "readings" in found:  # in which stretch of time a row lies is the layout's own matter
        found["readings"] = [{**row, "slot": None} for row in found["readings"]]
        found["readings"].sort(key=lambda row: (row["series"], row["at"]))
    return found


def assert_still_there(
    before: dict[str, list[dict[str, Any]]], after: dict[str, list[dict[str, Any]]]
) -> None:
    for table, held in before.items():
        assert [
            {name: new[name] for name in old} for old, new in zip(held, after[table], strict=True)
        ] == held


def test_there_is_a_store_of_every_step() -> None:
    names = [f"registry-{one}" for one in revisions()] + [f"readings-{one}" for one in READINGS]
    assert sorted(file.stem for file in FOLDER.glob("*.sql")) == sorted([*names, f"spool-{line.VERSION}"])


@pytest.mark.parametrize("revision", revisions())
def test_a_registry_of_old_keeps_every_row(tmp_path: Path, revision: str) -> None:
    path = loaded(f"registry-{revision}", tmp_path / "registry.db")
    before = rows(path)
    assert before["photos"]
    assert before["placements"]
    open_registry(path).close()
    assert_still_there(before, rows(path))


@pytest.mark.parametrize("revision", revisions())
def test_a_released_step_makes_the_tables_that_it_made_when_it_was_released(
    tmp_path: Path, revision: str
) -> None:
    new = create_engine(f"sqlite:///{tmp_path / 'new.db'}")
    to_revision(new, revision)
    new.dispose()
    assert shape(tmp_path / "new.db") == shape(loaded(f"registry-{revision}", tmp_path / "old.db"))


def shape(path: Path) -> list[Any]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT type, name, sql FROM sqlite_master ORDER BY name").fetchall()


@pytest.mark.parametrize("revision", revisions())
def test_a_registry_of_old_on_postgresql_keeps_every_row(
    tmp_path: Path, revision: str, postgresql: Server
) -> None:
    address = postgresql.fresh()
    source = create_engine(f"sqlite:///{loaded(f'registry-{revision}', tmp_path / 'old.db')}")
    target = create_engine(address.replace("postgresql:", "postgresql+psycopg:"))
    to_revision(target, revision)
    copy_rows(source, target)
    source.dispose()
    registry = open_registry(address)
    beside = open_registry(loaded(f"registry-{revision}", tmp_path / "registry.db"))
    for one in (registry, beside):
        assert one.piles.get("p1").mix == {
            "feedstocks": [{"name": "straw", "mass_kg": 40.5}],
            "words": "é 堆肥",
        }
        assert one.piles.photo("n1") == b"\xff\xd8\x00 no real picture"
    told = [
        (
            one.sites.all(), one.piles.all(), one.piles.turns("p1"), one.piles.notes("p1"), one.probes.all(),
            one.probes.placements(), one.probes.calibrations(), one.people.all(), one.people.channels(),
            one.people.subscriptions(), one.episodes.all(), one.notices.all(), one.quarantine.all(),
            one.access.tokens(), one.access.credentials(), one.memory.names(""), one.accounts.all(), one.audit.entries(),
        )
        for one in (registry, beside)
    ]  # fmt: skip
    assert told[0] == told[1]
    registry.close()
    beside.close()
    target.dispose()


@pytest.mark.parametrize("version", READINGS)
def test_readings_of_old_are_all_there_and_more_can_be_added(tmp_path: Path, version: str) -> None:
    path = loaded(f"readings-{version}", tmp_path / "readings.db")
    before = rows(path)
    store = open_readings(path)
    assert_still_there(before, rows(path))
    curve = store.read(SENSORS[0], Span(Millis(0)))
    mine = [one for one in readings() if one.sensor == SENSORS[0]]
    assert (curve.at.tolist(), curve.value.tolist()) == (
        [one.at for one in mine],
        [one.value for one in mine],
    )
    assert store.thinned() == {}
    assert store.append([mine[0], mine[0]._replace(at=FINISHED)]).stored == 1
    store.close()


def test_an_upgrade_for_which_there_is_no_room_says_so_and_changes_nothing(tmp_path: Path) -> None:
    path = loaded("readings-2", tmp_path / "readings.db")
    before = rows(path)
    room = 20_000  # for the write-ahead log, to which all of it goes first
    ended = subprocess.run(
        [sys.executable, "-c", OPEN_WITH_LITTLE_ROOM, str(path), str(room)],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert (ended.returncode, ended.stderr) == (0, "")
    assert ended.stdout.startswith("StoreBusy")
    assert rows(path) == before
    open_readings(path).close()
    assert_still_there(before, rows(path))


def test_a_spool_of_old_is_all_there(tmp_path: Path) -> None:
    path = loaded(f"spool-{line.VERSION}", tmp_path / "spool.db")
    store = open_line_readings(parse_address("victoria://127.0.0.1:9"), path)
    assert store.count() == 40
    assert store.read(SENSORS[1], Span(Millis(0))).value.tolist() == [
        one.value for one in readings()[:40] if one.sensor == SENSORS[1]
    ]
    store.close()


@pytest.mark.parametrize(
    ("revision", "version"), [*((one, "1") for one in revisions()), (revisions()[-1], READINGS[-1])]
)
def test_a_finished_batch_of_old_reads_as_it_did_also_out_of_an_old_backup(
    tmp_path: Path, revision: str, version: str
) -> None:
    data = tmp_path / "data"
    data.mkdir()
    loaded(f"registry-{revision}", data / "registry.db")
    loaded(f"readings-{version}", data / "readings.db")
    backup(data, tmp_path / "old.backup")
    restore(tmp_path / "old.backup", tmp_path / "new")
    for folder in (data, tmp_path / "new"):
        house = open_house(folder, Settings())
        report = house.book.report("p1", FINISHED)
        assert report.hottest.hours_above["55"] == pytest.approx(HOURS_ABOVE_55["hottest"], abs=1e-4)
        assert report.coldest.hours_above["55"] == pytest.approx(HOURS_ABOVE_55["coldest"], abs=1e-4)
        assert [turn.at for turn in report.turns] == [turn.at for turn in house.registry.piles.turns("p1")]
        house.close()
