"""Gives the empty pages of a SQLite file back to the disk."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from shared.ports import StorageError
from shared.stores.sqlite_files import BUSY_TIMEOUT_S, sqlite_trouble

_INCREMENTAL = 2
_PAGES_AT_ONCE = 256
WORTH_IT = 0.1
"""Of the file; a smaller empty share is soon used again by what comes in."""


@dataclass(frozen=True, slots=True)
class Pages:
    """``by_steps``: the file was made so that its empty pages can go a few at a time."""

    size: int
    total: int
    empty: int
    by_steps: bool

    @property
    def bytes(self) -> int:
        return self.size * self.total


def look(path: Path) -> Pages:
    with _opened(path) as connection:
        return _pages(connection)


def give_back(path: Path, go_on: Callable[[], bool]) -> int:
    """In short transactions, as long as ``go_on`` (asked before each) says so; gives the bytes given back.

    Nothing where little is empty, or where the file was made before this could be done. Raises StorageError.
    """
    with _opened(path) as connection:
        before = _pages(connection)
        if not before.by_steps or before.empty < WORTH_IT * before.total:
            return 0
        while _pages(connection).empty and go_on():
            connection.execute(f"PRAGMA incremental_vacuum({_PAGES_AT_ONCE})").fetchall()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        return before.bytes - _pages(connection).bytes


def unused(path: Path) -> int:
    """Bytes that lie unused within pages which still hold something: giving back by steps does not reach them, and what
    comes in later goes to pages of its own. 0 also where this SQLite cannot say."""
    with _opened(path) as connection:
        if not connection.execute("SELECT 1 FROM pragma_module_list WHERE name = 'dbstat'").fetchone():
            return 0
        found: int | None = connection.execute("SELECT sum(unused) FROM dbstat").fetchone()[0]
        return found or 0


def rebuild(path: Path) -> int:
    """Write the file anew without holes, able to give back by steps from then on; gives the bytes given back.

    Others can read meanwhile, not write. Raises StorageError when the disk has no room for the copy and the log of it.
    """
    with _opened(path) as connection:
        before = _pages(connection)
        needed = 2 * before.size * (before.total - before.empty) + (16 << 20)
        free = shutil.disk_usage(path.parent).free
        if free < needed:
            raise StorageError(
                f"{path.name} needs {needed / 2**20:.0f} MiB of free disk to be rebuilt; there are {free / 2**20:.0f}"
            )
        with _room_beside(path):
            connection.execute("PRAGMA auto_vacuum=INCREMENTAL")
            connection.execute("VACUUM")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        return before.bytes - _pages(connection).bytes


def _pages(connection: sqlite3.Connection) -> Pages:
    size, total, empty, kind = (
        connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("page_size", "page_count", "freelist_count", "auto_vacuum")
    )
    return Pages(size, total, empty, kind == _INCREMENTAL)


@contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    try:
        with closing(
            sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, isolation_level=None)
        ) as connection:
            connection.execute(f"PRAGMA busy_timeout={int(BUSY_TIMEOUT_S * 1000)}")
            yield connection
    except sqlite3.Error as error:
        raise sqlite_trouble(error, f"giving back disk of {path.name}") from error


@contextmanager
def _room_beside(path: Path) -> Iterator[None]:
    """The copy lies beside the file while it is made: a board's /tmp is often a small piece of its memory."""
    before = os.environ.get("SQLITE_TMPDIR")
    os.environ["SQLITE_TMPDIR"] = str(path.parent.absolute())
    try:
        yield
    finally:
        if before is None:
            del os.environ["SQLITE_TMPDIR"]
        else:
            os.environ["SQLITE_TMPDIR"] = before
