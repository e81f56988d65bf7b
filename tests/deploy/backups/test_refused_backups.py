"""A file that is damaged, cut short, tampered with, too new or too large for the disk is refused, and nothing is unpacked."""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
import zipfile
from collections import namedtuple
from contextlib import closing
from pathlib import Path

import pytest

from deploy.backup import backup, restore
from deploy.errors import SurroundingsError, UserError


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


def test_too_little_room_is_said_before_anything_is_unpacked(
    tmp_path: Path, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = namedtuple("usage", "total used free")  # noqa: PYI024  # as shutil gives it
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(10**6, 10**6, 1000))
    with pytest.raises(SurroundingsError, match="are free"):
        restore(file, tmp_path / "new")
    assert not (tmp_path / "new").exists()
