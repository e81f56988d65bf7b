"""A locked or full disk: StoreBusy, nothing half written, and work goes on when there is room again."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from shared.people import Person
from shared.piles import FieldNote
from shared.ports import NotFound, StorageError, StoreBusy
from shared.readings import Reading, SensorKey
from shared.stores import open_readings, open_registry
from shared.stores.registry.store import SqlRegistry
from shared.times import Millis, Span
from tests.contracts.child import BATCH, batch
from tests.contracts.processes import in_threads
from tests.contracts.registry_made import furnished, pile
from tests.forks import Fork
from tests.stores import full_disk_child

EVER = Span(Millis(0))
SENSOR = batch(0)[0].sensor


def fill_in_a_child(kind: str, path: Path, room: int) -> list[Any]:
    with Fork(full_disk_child.main, kind, path, room) as child:
        result: list[Any] = json.loads(child.stdout.read())
        assert child.wait(60.0) == 0
    return result


@pytest.mark.parametrize("room", [80_000, 150_000, 400_000])
def test_readings_survive_a_disk_that_is_full_for_a_while(tmp_path: Path, room: int) -> None:
    path = tmp_path / "readings.db"
    before, kinds, after = fill_in_a_child("readings", path, room)
    assert before > 0
    assert kinds == ["busy"] * 3
    store = open_readings(path)
    total = (before + after) * BATCH
    assert store.read(SENSOR, EVER).at.tolist() == [at * 1000 for at in range(total)]
    assert store.count() == store.sensors()[0].count == total
    store.close()


@pytest.mark.parametrize("room", [400_000, 900_000])
def test_the_registry_survives_a_disk_that_is_full_for_a_while(tmp_path: Path, room: int) -> None:
    path = tmp_path / "registry.db"
    before, kinds, after = fill_in_a_child("registry", path, room)
    assert before > 0
    assert kinds == ["busy"] * 3
    registry = open_registry(path)
    kept = registry.quarantine.all(limit=10**6)
    assert sorted(one.received_at for one in kept) == list(range(before + after))
    registry.close()


def test_a_full_database_takes_nothing_half(tmp_path: Path) -> None:
    store = open_readings(tmp_path / "readings.db")
    store.append(batch(0))
    pages = store._writer.execute("PRAGMA page_count").fetchone()[0]
    store._writer.execute(f"PRAGMA max_page_count={pages + 2}")
    many = [Reading(SensorKey("larkfield", f"P{n}", "45"), Millis(n), 60.0, Millis(n)) for n in range(5000)]
    with pytest.raises(StoreBusy):
        store.append(many)
    assert store.count() == BATCH
    assert [summary.sensor for summary in store.sensors()] == [SENSOR]
    assert len(store.changes_since(1).earliest) == 0
    store._writer.execute("PRAGMA max_page_count=1000000")
    assert store.append(many).stored == 5000
    assert all(len(store.read(reading.sensor, EVER)) == 1 for reading in many[::500])
    store.close()


def test_a_locked_readings_file_says_busy_and_later_works(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    store = open_readings(path, busy_timeout_s=0.05)
    store.append(batch(0))
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        for attempt in (
            lambda: store.append(batch(1)),
            store.ping,
            lambda: store.withdraw([(SENSOR, Millis(0))]),
        ):
            with pytest.raises(StoreBusy):
                attempt()
        assert len(store.read(SENSOR, EVER)) == BATCH  # reading goes on
        other.execute("ROLLBACK")
    assert store.append(batch(1)).stored == BATCH
    store.close()


def test_a_locked_registry_says_busy_and_later_works(tmp_path: Path) -> None:
    path = tmp_path / "registry.db"
    registry = open_registry(path, busy_timeout_s=0.05)
    furnished(registry)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        for attempt in (
            lambda: registry.memory.set("a", "1"),
            registry.ping,
            lambda: registry.begin().__enter__(),
        ):
            with pytest.raises(StoreBusy):
                attempt()
        assert registry.piles.get("p1").peg == "K-01"
        other.execute("ROLLBACK")
    registry.memory.set("a", "1")
    registry.close()


def test_a_thread_that_writes_too_long_makes_the_others_busy_and_does_not_stop_them_for_good(
    tmp_path: Path,
) -> None:
    registry = open_registry(tmp_path / "registry.db", busy_timeout_s=0.05)

    def write() -> None:
        with pytest.raises(StoreBusy):
            registry.memory.set("b", "1")

    with registry.begin() as tx:
        tx.memory.set("a", "1")
        in_threads(write)
    in_threads(lambda: registry.memory.set("b", "2"))
    assert registry.memory.names("") == {"a": "1", "b": "2"}
    registry.close()


@pytest.mark.parametrize("goes_on", [True, False])
def test_a_transaction_that_the_database_gave_up_is_not_kept_in_part(tmp_path: Path, goes_on: bool) -> None:
    """A full disk makes SQLite end the transaction from below: what the caller writes after it must not stay alone."""
    registry = open_registry(tmp_path / "registry.db")
    assert isinstance(registry, SqlRegistry)
    furnished(registry)
    pages = [1]  # SQLite takes the present size as the least

    def limit(connection: Any, *_: object) -> None:
        connection.execute(f"PRAGMA max_page_count={pages[0]}")

    event.listen(registry._work.engine, "checkout", limit)

    def fill() -> None:
        with registry.begin() as tx:
            tx.people.add(Person("ben", "Ben", "UTC"))
            with pytest.raises(StoreBusy, match="full"):
                tx.piles.add_note(FieldNote("n1", "p1", "remark", Millis(1), "x" * 3_000_000))
            if goes_on:
                tx.piles.add(pile("p3", "K-03"))

    with pytest.raises(StoreBusy, match="gave the transaction up"):
        fill()
    with pytest.raises(NotFound):
        registry.people.get("ben")
    assert [kept.id for kept in registry.piles.all()] == ["p1", "p2"]
    pages[0] = 1_000_000
    registry.piles.add_note(FieldNote("n1", "p1", "remark", Millis(1), "x" * 3_000_000))
    registry.piles.add(pile("p3", "K-03"))
    registry.close()


def test_a_closed_registry_folder_says_why(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="there is no folder"):
        open_registry(tmp_path / "nowhere" / "registry.db")
