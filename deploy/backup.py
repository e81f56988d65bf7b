"""One file that holds everything of a data directory, made while the service runs, and the way back.

In it are a snapshot of each store, the rules and guides of one's own, and the key of the registry's secrets where that
stands in the data directory; keep it as safe as that.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from deploy.backup_file import STORES, check_parts, pack, read_manifest, unpack
from deploy.errors import SurroundingsError, UserError
from deploy.registry_key import KEY_FILE
from shared.ports import StorageError
from shared.settings import Settings
from shared.stores import READINGS_FILE, REGISTRY_FILE, SPOOL_FILE, open_readings, open_registry
from shared.stores.copying import copy_registry, copy_spool


def backup(data_dir: Path, file: Path, settings: Settings | None = None) -> bool:
    """Write ``file`` from the stores of ``data_dir`` and ``settings``; it appears whole and checked, or not at all.

    Gives whether the key of the secrets is in it; one from the configuration is not.

    A registry on PostgreSQL is copied, as of one instant, into the SQLite form that a backup holds. Of readings in a
    far store it holds the spool alone: the far store has a backup of its own.
    Raises UserError when there is nothing to back up or the file exists, SurroundingsError when it cannot be done.
    """
    settings = settings or Settings()
    sources, key = sources_of(data_dir, settings), data_dir / KEY_FILE
    for name, source in sources.items():
        if isinstance(source, Path) and not source.is_file():
            raise UserError(f"{data_dir} holds no {name}; name the data directory of the service with --data")
    if file.exists():
        raise UserError(f"{file} exists already; choose another name")
    if not file.parent.is_dir():
        raise UserError(f"there is no folder {file.parent}")
    with _surroundings(f"cannot write {file}"), _work_folder(file.parent) as folder:
        parts: dict[str, Path] = {}
        for name, source in sources.items():
            parts[name] = folder / name
            if isinstance(source, Path):
                _snapshot(source, folder / name)
            else:
                (copy_registry if name == REGISTRY_FILE else copy_spool)(source, folder / name)
                _flatten(folder / name)
        for path in sorted(path for kind in ("rules", "guides") for path in (data_dir / kind).glob("*.toml")):
            parts[path.relative_to(data_dir).as_posix()] = path
        if settings.registry.key is None and key.is_file():
            parts[KEY_FILE] = key
        archive = folder / "archive"
        pack(parts, archive)
        with zipfile.ZipFile(archive) as packed:
            check_parts(packed, read_manifest(packed, file), file)
        archive.rename(file)
        _sync(file.parent)
    return KEY_FILE in parts


def sources_of(data_dir: Path, settings: Settings) -> dict[str, str | Path]:
    """Where each part of a backup comes from: a file, or the address of a server."""
    registry, spool = settings.registry.url, settings.readings.spool
    found: dict[str, str | Path] = {REGISTRY_FILE: registry or data_dir / REGISTRY_FILE}
    if settings.readings.url:
        found[SPOOL_FILE] = spool or data_dir / SPOOL_FILE
    else:
        found[READINGS_FILE] = data_dir / READINGS_FILE
    return found


def restore(file: Path, data_dir: Path) -> None:
    """Check ``file`` and unpack it as ``data_dir``, which must be new or empty; all of it, or nothing.

    Raises UserError for a directory that is not empty or a file that is no backup, SurroundingsError for one that is
    damaged or was written by a newer version of this program.
    """
    if data_dir.exists() and not data_dir.is_dir():
        raise UserError(f"{data_dir} is not a directory")
    if data_dir.is_dir() and any(data_dir.iterdir()):
        raise UserError(f"{data_dir} is not empty; restore into a new directory")
    if not data_dir.absolute().parent.is_dir():
        raise UserError(f"there is no folder {data_dir.absolute().parent}")
    with _surroundings(f"cannot restore {file}"):
        try:
            packed = zipfile.ZipFile(file)
        except FileNotFoundError as error:
            raise UserError(f"there is no file {file}") from error
        except zipfile.BadZipFile as error:
            raise UserError(f"{file} is no whole backup of this program") from error
        inside = _must_stage_inside(data_dir)
        with packed, _work_folder(data_dir if inside else data_dir.absolute().parent) as folder:
            manifest = read_manifest(packed, file)
            stage = folder / "restored"
            unpack(packed, manifest, stage, file)
            _prove(stage, file)
            if inside:
                _move_into(stage, data_dir)
            else:
                stage.rename(data_dir)  # replaces an empty directory in one step
                _sync(data_dir.absolute().parent)


def _snapshot(source: Path, target: Path) -> None:
    """SQLite's online copy in one step: one consistent state, while others go on writing."""
    with (
        closing(sqlite3.connect(f"{source.absolute().as_uri()}?mode=rw", uri=True)) as live,
        closing(sqlite3.connect(target)) as copy,
    ):
        live.execute("PRAGMA busy_timeout=10000")
        live.backup(copy, pages=-1)
    _check_database(target, source)


def _check_database(path: Path, named: Path) -> None:
    try:
        with closing(sqlite3.connect(path)) as connection:
            found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
            orphan = connection.execute("PRAGMA foreign_key_check").fetchone()
    except sqlite3.DatabaseError as error:
        raise SurroundingsError(f"{named}: {path.name} is damaged ({error})") from error
    if found != "ok" or orphan is not None:
        raise SurroundingsError(f"{named}: {path.name} is damaged ({found})")


def _prove(stage: Path, file: Path) -> None:
    """Open each store as the service will, which also brings an older one up to date."""
    for name in STORES:
        if (stage / name).exists():
            _check_database(stage / name, file)
    try:
        open_registry(stage / REGISTRY_FILE).close()
        if (stage / READINGS_FILE).exists():
            open_readings(stage / READINGS_FILE).close()
    except StorageError as error:
        raise SurroundingsError(f"{file} cannot be used: {error}") from error


def _flatten(path: Path) -> None:
    """No write-ahead log beside it: the file alone is all."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")


def _must_stage_inside(data_dir: Path) -> bool:
    """A mount point (a container's volume) cannot be replaced by a rename, and a parent may be closed to us."""
    return data_dir.is_dir() and (
        data_dir.is_mount() or not os.access(data_dir.absolute().parent, os.W_OK | os.X_OK)
    )


def _move_into(stage: Path, data_dir: Path) -> None:
    """Part by part, the registry last: without it a directory is no service's yet."""
    for part in sorted(stage.iterdir(), key=lambda path: path.name == REGISTRY_FILE):
        part.rename(data_dir / part.name)
    _sync(data_dir)


@contextmanager
def _work_folder(parent: Path) -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix=".turnbell-", dir=parent))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _surroundings(what: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise SurroundingsError(f"{what}: {error.strerror or error}") from error
    except sqlite3.Error as error:
        raise SurroundingsError(f"{what}: {error}") from error


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
