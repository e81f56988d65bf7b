"""A backup made while the service writes, and the way back: whole and checked, or not at all."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

import deploy.backup as backing
from deploy.backup import backup, restore
from deploy.errors import SurroundingsError, UserError
from shared.piles import Turn
from shared.stores import open_readings, open_registry
from shared.times import Millis, Span
from tests.contracts.child import BATCH, batch
from tests.deploy.backups.conftest import RULE

EVER = Span(Millis(0))


def stored(data: Path, *, at_rest: bool = True) -> list[int]:
    readings = open_readings(data / "readings.db")
    at: list[int] = readings.read(batch(0)[0].sensor, EVER).at.tolist()
    if at_rest:  # else another batch may come between the two questions
        assert readings.count() == len(at)
    readings.close()
    return at


def test_what_was_backed_up_comes_back(tmp_path: Path, file: Path) -> None:
    new = tmp_path / "new"
    restore(file, new)
    assert stored(new) == [at * 1000 for at in range(20 * BATCH)]
    registry = open_registry(new / "registry.db")
    assert registry.piles.get("p1").peg == "K-01"
    assert registry.memory.get("secret") == "s3cret"
    registry.close()
    assert (new / "rules" / "my own rule.toml").read_text() == RULE
    assert {path.name for path in new.iterdir()} == {"registry.db", "readings.db", "rules"}


def test_only_its_owner_may_read_a_backup_and_what_comes_out_of_it(tmp_path: Path, file: Path) -> None:
    assert file.stat().st_mode & 0o077 == 0
    restore(file, tmp_path / "new")
    assert (tmp_path / "new").stat().st_mode & 0o077 == 0


def test_a_backup_while_others_write_holds_whole_batches_and_all_that_was_there_before(
    tmp_path: Path, yard: Path
) -> None:
    stop, under_way = threading.Event(), threading.Event()

    def write() -> None:
        readings, registry = open_readings(yard / "readings.db"), open_registry(yard / "registry.db")
        number = 20
        while not stop.is_set():
            readings.append(batch(number))
            registry.piles.add_turn(Turn(f"t{number}", "p1", Millis(number)))
            number += 1
            under_way.set()
        readings.close()
        registry.close()

    writer = threading.Thread(target=write)
    writer.start()
    try:
        assert under_way.wait(30)
        before = len(stored(yard, at_rest=False))
        backup(yard, tmp_path / "live.backup")
        after = len(stored(yard, at_rest=False))
    finally:
        stop.set()
        writer.join(30)
    restore(tmp_path / "live.backup", tmp_path / "new")
    found = stored(tmp_path / "new")
    assert found == [at * 1000 for at in range(len(found))]
    assert len(found) % BATCH == 0
    assert before <= len(found) <= after
    registry = open_registry(tmp_path / "new" / "registry.db")
    turns = [turn.at for turn in registry.piles.turns("p1")]
    assert turns == list(range(20, 20 + len(turns)))
    assert len(turns) <= len(found) // BATCH - 20  # the registry's snapshot is the earlier one
    registry.close()


def test_an_empty_directory_may_be_restored_into(tmp_path: Path, file: Path) -> None:
    (tmp_path / "new").mkdir()
    restore(file, tmp_path / "new")
    assert len(stored(tmp_path / "new")) == 20 * BATCH


def test_a_mount_point_is_filled_in_place(
    tmp_path: Path, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    new = tmp_path / "volume"
    new.mkdir()
    inode = new.stat().st_ino
    monkeypatch.setattr(Path, "is_mount", lambda path: path == new)
    restore(file, new)
    assert new.stat().st_ino == inode
    assert len(stored(new)) == 20 * BATCH
    assert (new / "rules" / "my own rule.toml").is_file()


def test_a_directory_that_holds_something_is_left_alone(tmp_path: Path, file: Path, yard: Path) -> None:
    before = {path: path.read_bytes() for path in yard.rglob("*") if path.is_file()}
    with pytest.raises(UserError, match="not empty"):
        restore(file, yard)
    assert {path: path.read_bytes() for path in yard.rglob("*") if path.is_file()} == before
    (tmp_path / "plain").write_text("x")
    with pytest.raises(UserError, match="not a directory"):
        restore(file, tmp_path / "plain")


def test_a_backup_never_replaces_a_file(tmp_path: Path, yard: Path, file: Path) -> None:
    before = file.read_bytes()
    with pytest.raises(UserError, match="exists already"):
        backup(yard, file)
    assert file.read_bytes() == before


def test_a_directory_without_stores_is_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"holds no registry\.db"):
        backup(tmp_path, tmp_path / "x.backup")
    assert not (tmp_path / "x.backup").exists()


def test_a_missing_folder_is_named(tmp_path: Path, yard: Path, file: Path) -> None:
    with pytest.raises(UserError, match="there is no folder"):
        backup(yard, tmp_path / "nowhere" / "x.backup")
    with pytest.raises(UserError, match="there is no folder"):
        restore(file, tmp_path / "nowhere" / "new")
    with pytest.raises(UserError, match="there is no file"):
        restore(tmp_path / "none.backup", tmp_path / "new")


def test_a_damaged_store_is_not_backed_up_as_if_it_were_whole(tmp_path: Path, yard: Path) -> None:
    content = bytearray((yard / "readings.db").read_bytes())
    for page in range(2, len(content) // 4096):
        content[page * 4096 : page * 4096 + 64] = b"\xff" * 64
    (yard / "readings.db").write_bytes(content)
    with pytest.raises(SurroundingsError, match=r"readings\.db"):
        backup(yard, tmp_path / "x.backup")
    assert not (tmp_path / "x.backup").exists()


def test_a_disk_that_fills_up_leaves_no_half_backup(
    tmp_path: Path, yard: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(backing, "pack", full)
    with pytest.raises(SurroundingsError, match="No space left"):
        backup(yard, tmp_path / "x.backup")
    assert not (tmp_path / "x.backup").exists()
