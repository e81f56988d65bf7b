"""A backup made while the service writes, and the way back: whole and checked, or not at all."""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
import threading
import zipfile
from collections import namedtuple
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

import deploy.backup as backing
from deploy.backup import backup, restore
from deploy.errors import SurroundingsError, UserError
from shared.piles import Turn
from shared.stores import open_readings, open_registry
from shared.times import Millis, Span
from tests.contracts.child import BATCH, batch
from tests.contracts.registry_made import furnished

EVER = Span(Millis(0))
RULE = 'id = "own"\n'


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data directory with both stores, a rule of one's own and a file that is no part of a backup; and its backup."""
    folder = tmp_path_factory.mktemp("made")
    data = folder / "yard"
    data.mkdir()
    registry = open_registry(data / "registry.db")
    furnished(registry)
    registry.memory.set("secret", "s3cret")
    registry.close()
    readings = open_readings(data / "readings.db")
    for number in range(20):
        readings.append(batch(number))
    readings.close()
    (data / "rules").mkdir()
    (data / "rules" / "my own rule.toml").write_text(RULE)
    (data / "broker.log").write_text("not kept")
    backup(data, folder / "yard.backup")
    return folder


@pytest.fixture
def yard(tmp_path: Path, made: Path) -> Path:
    return shutil.copytree(made / "yard", tmp_path / "yard")


@pytest.fixture
def file(tmp_path: Path, made: Path) -> Path:
    return Path(shutil.copy2(made / "yard.backup", tmp_path / "yard.backup"))


@pytest.fixture(autouse=True)
def leaves_nothing_behind(tmp_path: Path) -> Iterator[None]:
    yield
    assert list(tmp_path.rglob(".turnbell-*")) == []


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


@pytest.mark.parametrize("seed", range(12))
def test_a_damaged_backup_is_refused_wherever_the_damage_is(tmp_path: Path, file: Path, seed: int) -> None:
    whole = bytearray(file.read_bytes())
    with zipfile.ZipFile(file) as packed:
        info = packed.getinfo("readings.db")
    inside = random.Random(seed).randrange(info.header_offset + 60, info.header_offset + info.compress_size)
    whole[inside] ^= 0x41
    file.write_bytes(whole)
    with pytest.raises(SurroundingsError, match=r"damaged: readings\.db"):
        restore(file, tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.999])
def test_a_backup_that_was_cut_short_is_refused(tmp_path: Path, file: Path, share: float) -> None:
    whole = file.read_bytes()
    file.write_bytes(whole[: int(len(whole) * share)])
    with pytest.raises(UserError, match="no whole backup"):
        restore(file, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def remade(file: Path, name: str, change: object) -> Path:
    """The same archive with another part ``name``, its sum in the manifest not touched unless it is the manifest."""
    made = file.with_suffix(".remade")
    with zipfile.ZipFile(file) as old, zipfile.ZipFile(made, "w") as new:
        for info in old.infolist():
            content = old.read(info)
            if info.filename == name:
                content = change(content) if callable(change) else b""
            new.writestr(info.filename, content)
    return made


def test_a_part_that_was_exchanged_is_noticed(tmp_path: Path, file: Path) -> None:
    other = remade(file, "registry.db", lambda content: content[:-1] + b"\1")
    with pytest.raises(SurroundingsError, match=r"registry\.db is not what was written"):
        restore(other, tmp_path / "new")


@pytest.mark.parametrize(
    "name", ["../evil", "/etc/evil", "rules/../../evil.toml", "rules/deep/er.toml", "readings.db-wal"]
)
def test_a_part_that_would_land_elsewhere_is_refused(tmp_path: Path, file: Path, name: str) -> None:
    def add(content: bytes) -> bytes:
        manifest = json.loads(content)
        manifest["parts"][name] = manifest["parts"]["readings.db"]
        return json.dumps(manifest).encode()

    with pytest.raises(UserError, match="no whole backup"):
        restore(remade(file, "manifest.json", add), tmp_path / "new")


def test_a_backup_of_a_newer_program_is_refused(tmp_path: Path, file: Path, yard: Path) -> None:
    other = remade(
        file,
        "manifest.json",
        lambda content: content.replace(b'"turnbell_backup": 2', b'"turnbell_backup": 3'),
    )
    with pytest.raises(UserError, match="newer version"):
        restore(other, tmp_path / "new")
    with closing(sqlite3.connect(yard / "readings.db")) as connection:
        connection.execute("PRAGMA user_version=99")
    backup(yard, tmp_path / "newer.backup")
    with pytest.raises(SurroundingsError, match="newer version"):
        restore(tmp_path / "newer.backup", tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_damaged_store_is_not_backed_up_as_if_it_were_whole(tmp_path: Path, yard: Path) -> None:
    content = bytearray((yard / "readings.db").read_bytes())
    for page in range(2, len(content) // 4096):
        content[page * 4096 : page * 4096 + 64] = b"\xff" * 64
    (yard / "readings.db").write_bytes(content)
    with pytest.raises(SurroundingsError, match=r"readings\.db"):
        backup(yard, tmp_path / "x.backup")
    assert not (tmp_path / "x.backup").exists()


def test_too_little_room_is_said_before_anything_is_unpacked(
    tmp_path: Path, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = namedtuple("usage", "total used free")  # noqa: PYI024  # as shutil gives it
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(10**6, 10**6, 1000))
    with pytest.raises(SurroundingsError, match="are free"):
        restore(file, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_disk_that_fills_up_leaves_no_half_backup(
    tmp_path: Path, yard: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(backing, "pack", full)
    with pytest.raises(SurroundingsError, match="No space left"):
        backup(yard, tmp_path / "x.backup")
    assert not (tmp_path / "x.backup").exists()
