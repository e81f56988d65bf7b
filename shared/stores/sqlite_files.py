"""What both embedded stores need of a SQLite file: how it is opened, and what its errors mean to a caller."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from shared.ports import Conflict, NotFound, StorageError, StoreBusy

BUSY_TIMEOUT_S = 10.0
REGISTRY_ID = 0x54425247  # PRAGMA application_id, so that one file is never taken for the other
READINGS_ID = 0x54425244
SPOOL_ID = 0x5442534C

_PASSING = (
    "SQLITE_BUSY",
    "SQLITE_LOCKED",
    "SQLITE_FULL",
    "SQLITE_IOERR",
    "SQLITE_CANTOPEN",
    "SQLITE_READONLY",
    "SQLITE_PROTOCOL",
    "SQLITE_NOMEM",
    "SQLITE_INTERRUPT",
)


def sqlite_trouble(error: sqlite3.Error, what: str) -> StorageError:
    """The StorageError that says the same as ``error``; ``what`` was being done."""
    name = getattr(error, "sqlite_errorname", None) or ""
    text = f"{what}: {error}"
    if name.startswith(_PASSING):
        return StoreBusy(text)
    if name == "SQLITE_CONSTRAINT_FOREIGNKEY":
        return NotFound(f"{what}: it names something that is not there")
    if name.startswith("SQLITE_CONSTRAINT"):
        return Conflict(text)
    return StorageError(text)


def tune(connection: sqlite3.Connection, *, cache_kib: int, busy_timeout_s: float) -> None:
    """WAL and synchronous=FULL: a commit that has returned is on the disk, and readers never wait for the writer. A new
    file can give its empty pages back bit by bit."""
    connection.execute(f"PRAGMA busy_timeout={int(busy_timeout_s * 1000)}")
    if connection.execute("PRAGMA page_count").fetchone()[0] == 0:
        connection.execute("PRAGMA auto_vacuum=INCREMENTAL")
    _enter_wal(connection, busy_timeout_s)
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA foreign_keys=ON")
    connection.execute(f"PRAGMA cache_size=-{cache_kib}")
    connection.execute("PRAGMA journal_size_limit=67108864")


def _enter_wal(connection: sqlite3.Connection, busy_timeout_s: float) -> None:
    """The change of mode wants the file alone and does not heed busy_timeout; so ask again for a while."""
    deadline = time.monotonic() + busy_timeout_s
    while True:
        try:
            mode = connection.execute("PRAGMA journal_mode=WAL").fetchone()[0]
        except sqlite3.OperationalError as error:
            if time.monotonic() > deadline or not str(error.sqlite_errorname).startswith("SQLITE_BUSY"):
                raise
            time.sleep(0.01)
        else:
            if mode != "wal":
                raise sqlite3.OperationalError(f"this file system has no write-ahead log (mode {mode})")
            return


@contextmanager
def transaction(connection: sqlite3.Connection, begin: str) -> Iterator[sqlite3.Connection]:
    """``begin`` is BEGIN (one snapshot) or BEGIN IMMEDIATE (a second writer waits here, not at its commit)."""
    connection.execute(begin)
    try:
        yield connection
        connection.execute("COMMIT")
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def refuse_strangers(path: Path, application_id: int) -> None:
    """Raise StorageError, and change nothing, unless ``path`` is absent, empty or a file of this application_id."""
    if not path.exists():
        if not path.parent.is_dir():
            raise StorageError(f"cannot open {path}: there is no folder {path.parent}")
        return
    try:
        with closing(sqlite3.connect(path, timeout=BUSY_TIMEOUT_S)) as connection:
            found = connection.execute("PRAGMA application_id").fetchone()[0]
            tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorname", "") == "SQLITE_NOTADB":
            raise StorageError(f"{path} is not a database of this program") from error
        raise sqlite_trouble(error, f"cannot open {path}") from error
    if found != application_id and (found != 0 or tables):
        raise StorageError(
            f"{path} is a database of something else; move it away or choose another data folder"
        )
