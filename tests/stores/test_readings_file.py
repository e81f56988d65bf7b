"""How the readings file is made, recognised and refused, and how long its log of arrivals reaches."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from shared.ports import StorageError
from shared.readings import Reading, SensorKey
from shared.stores import arrivals_log, open_readings, open_registry, readings_schema
from shared.stores.readings_schema import STEPS
from shared.times import DAY, HOUR, Millis, Span
from tests.contracts.child import append_all
from tests.contracts.processes import children

CORE = SensorKey("larkfield", "P1", "45")


def reading(at: int, sensor: SensorKey = CORE) -> Reading:
    return Reading(sensor, Millis(at), 60.0, Millis(at))


def set_version(path: Path, version: int) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version={version}")


def test_a_file_of_a_newer_program_is_refused_and_left_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    store = open_readings(path)
    store.append([reading(HOUR)])
    store.close()
    set_version(path, len(STEPS) + 1)
    before = path.read_bytes()
    with pytest.raises(StorageError, match="newer version of this program") as refusal:
        open_readings(path)
    assert "\n" not in str(refusal.value)
    assert path.read_bytes() == before
    set_version(path, len(STEPS))
    again = open_readings(path)
    assert again.count() == 1
    again.close()


def test_an_older_file_is_brought_up_to_date_step_by_step_with_what_it_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "readings.db"
    store = open_readings(path)
    store.append([reading(HOUR)])
    store.close()
    longer = (*STEPS, "CREATE TABLE one (x); CREATE TABLE two (x)", "ALTER TABLE two ADD COLUMN y")
    monkeypatch.setattr(readings_schema, "STEPS", longer)
    again = open_readings(path)
    assert again._writer.execute("SELECT y FROM two").fetchall() == []
    assert again._writer.execute("PRAGMA user_version").fetchone()[0] == len(longer)
    assert again.append([reading(HOUR), reading(2 * HOUR)]).stored == 1
    again.close()


def test_a_step_that_fails_leaves_the_older_file_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "readings.db"
    store = open_readings(path)
    store.append([reading(HOUR)])
    store.close()
    before = path.read_bytes()
    monkeypatch.setattr(readings_schema, "STEPS", (*STEPS, "CREATE TABLE one (x); CREATE TABLE series (x)"))
    with pytest.raises(StorageError, match="series"):
        open_readings(path)
    monkeypatch.undo()
    assert path.read_bytes() == before
    again = open_readings(path)
    assert again.count() == 1
    again.close()


def test_a_file_that_is_no_database_is_refused_and_left_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    path.write_text("time,probe,depth_cm,celsius\n" * 200)
    before = path.read_bytes()
    with pytest.raises(StorageError, match="not a database of this program"):
        open_readings(path)
    assert path.read_bytes() == before


def test_a_database_of_something_else_is_refused_and_left_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    before = path.read_bytes()
    with pytest.raises(StorageError, match="something else"):
        open_readings(path)
    assert path.read_bytes() == before


def test_a_registry_is_not_taken_for_readings_nor_readings_for_a_registry(tmp_path: Path) -> None:
    open_registry(tmp_path / "registry.db").close()
    open_readings(tmp_path / "readings.db").close()
    with pytest.raises(StorageError, match="something else"):
        open_readings(tmp_path / "registry.db")
    with pytest.raises(StorageError, match="something else"):
        open_registry(tmp_path / "readings.db")


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="there is no folder"):
        open_readings(tmp_path / "nowhere" / "readings.db")


def test_an_empty_file_becomes_a_store(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    path.touch()
    store = open_readings(path)
    assert store.append([reading(HOUR)]).stored == 1
    store.close()


def test_two_processes_may_make_the_file_at_the_same_time(tmp_path: Path) -> None:
    address = f"sqlite={tmp_path / 'readings.db'}"
    with children((append_all, address, 0, 2), (append_all, address, 0, 2)) as both:
        for child in both:
            child.go()
        assert sum(child.result()[0] for child in both) == 100


def test_a_commit_is_on_the_disk_before_it_returns(tmp_path: Path) -> None:
    store = open_readings(tmp_path / "readings.db")
    assert store._writer.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL
    assert store._writer.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    store.close()


def test_a_pruned_log_sends_an_old_cursor_to_read_everything_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(arrivals_log, "KEEP_BATCHES", 10)
    monkeypatch.setattr(arrivals_log, "PRUNE_EVERY", 4)
    store = open_readings(tmp_path / "readings.db")
    for number in range(40):
        store.append([reading(number * HOUR, SensorKey("larkfield", f"P{number}", "45"))])
    newest = store.changes_since(0).cursor
    old = store.changes_since(newest - 20)
    assert not old.complete
    assert len(old.earliest) == 40
    recent = store.changes_since(newest - 5)
    assert recent.complete
    assert len(recent.earliest) == 5
    assert store.changes_since(0).complete
    assert len(store.changes_since(0).earliest) == 40
    store.close()
    again = open_readings(tmp_path / "readings.db")
    assert not again.changes_since(newest - 20).complete
    again.close()


def test_the_log_forgets_what_came_in_long_ago(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(arrivals_log, "PRUNE_EVERY", 4)
    store = open_readings(tmp_path / "readings.db")
    for day in range(40):
        store.append([reading(day * DAY)])
    kept = store._writer.execute("SELECT min(received_at), count(*) FROM arrivals").fetchone()
    assert kept == (39 * DAY - arrivals_log.KEEP_MS, arrivals_log.KEEP_MS // DAY + 1)
    assert store.count() == 40
    store.close()


def test_a_log_that_is_pruned_to_nothing_still_knows_where_it_was(tmp_path: Path) -> None:
    store = open_readings(tmp_path / "readings.db")
    for hour in range(5):
        store.append([reading(hour * HOUR)])
    cursor = store.changes_since(0).cursor
    arrivals_log.prune(store._writer, cursor, 0)
    assert store.changes_since(cursor).complete
    assert not store.changes_since(cursor - 1).complete
    assert store.changes_since(0).cursor == cursor
    store.append([reading(9 * HOUR)])
    assert dict(store.changes_since(cursor).earliest) == {CORE: 9 * HOUR}
    store.close()


def test_idle_reading_connections_stay_few(tmp_path: Path) -> None:
    store = open_readings(tmp_path / "readings.db")
    for _ in range(50):
        store.read(CORE, Span(Millis(0)))
    assert len(store._readers) == 1
    store.close()
