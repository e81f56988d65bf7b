"""How a repository gets at the database: ``read`` for one snapshot, ``write`` for one transaction.

A thread that is inside ``transaction`` stays in it, whichever Registry object it asks, so that no thread can wait for
itself. Inside, every write is a savepoint: one that is refused leaves the others whole.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from sqlalchemy import Connection, Engine, func, select, update

from shared.ports import StorageError, StoreBusy
from shared.stores.registry import tables as t
from shared.stores.registry.engine import FOREIGN, trouble

FACTS = "facts"
_COUNT_ON = update(t.counters).where(t.counters.c.name == FACTS).values(value=t.counters.c.value + 1)
_ALONE = 0x54425257  # PostgreSQL advisory lock


@dataclass(slots=True)
class _Open:
    connection: Connection
    lost: bool = False  # the database has given the transaction up (disk full, connection gone)


class Work:
    def __init__(self, engine: Engine, busy_timeout_s: float, alone: int = _ALONE) -> None:
        self.engine, self._patience_s, self._alone = engine, busy_timeout_s, alone
        self._mine = threading.local()
        self._closed = False
        # SQLite has one writer anyway; queueing for it in the process is fairer than its polling
        self._turn = threading.Lock() if engine.dialect.name == "sqlite" else None

    @contextmanager
    def read(self, what: str) -> Iterator[Connection]:
        joined = self._joined(what)
        if joined is None:
            with _translated(what), self.engine.connect() as connection:
                yield connection
            return
        try:
            with _translated(what):
                yield joined.connection
        except StorageError as error:
            joined.lost = joined.lost or isinstance(error.__cause__, FOREIGN)
            raise

    @contextmanager
    def write(self, what: str, *, facts: bool = False) -> Iterator[Connection]:
        """``facts`` = it touches what Registry.version counts; that also makes such writes go one by one."""
        with self.transaction(what) as connection, _translated(what):
            if facts:
                connection.execute(_COUNT_ON)
            yield connection

    @contextmanager
    def transaction(self, what: str, *, alone: bool = False) -> Iterator[Connection]:
        """``alone`` = no other transaction that says so runs meanwhile, in any process (SQLite has no other kind)."""
        joined = self._joined(what)
        if joined is not None:
            with self._savepoint(joined, what):
                yield joined.connection
            return
        self._take_turn(what)
        try:
            with _translated(what):
                connection = self.engine.connect().execution_options(turnbell_write=True)
            with connection:
                with _translated(what):
                    connection.begin()
                    if alone and self.engine.dialect.name == "postgresql":
                        connection.execute(select(func.pg_advisory_xact_lock(self._alone)))
                yield from self._whole(_Open(connection), what)
        finally:
            if self._turn is not None:
                self._turn.release()

    def _whole(self, opened: _Open, what: str) -> Iterator[Connection]:
        """All or nothing: leaving by an exception lets the connection's end roll back."""
        self._mine.opened = opened
        try:
            yield opened.connection
        finally:
            self._mine.opened = None
        if opened.lost:
            raise StoreBusy(f"{what}: the database gave the transaction up; nothing of it is kept")
        with _translated(what):
            opened.connection.commit()

    @contextmanager
    def _savepoint(self, joined: _Open, what: str) -> Iterator[None]:
        with _translated(what):
            savepoint = joined.connection.begin_nested()
        try:
            yield
        except BaseException:
            try:
                savepoint.rollback()
            except FOREIGN:
                joined.lost = True
            raise
        with _translated(what):
            savepoint.commit()

    def close(self) -> None:
        self._closed = True
        self.engine.dispose()

    def _joined(self, what: str) -> _Open | None:
        if self._closed:
            raise StorageError(f"{what}: the registry is closed")
        opened: _Open | None = getattr(self._mine, "opened", None)
        if opened is not None and opened.lost:
            raise StoreBusy(f"{what}: the database gave the transaction up; begin again")
        return opened

    def _take_turn(self, what: str) -> None:
        if self._turn is not None and not self._turn.acquire(timeout=self._patience_s):
            raise StoreBusy(f"{what}: another thread has been writing for {self._patience_s:g} s")


@contextmanager
def _translated(what: str) -> Iterator[None]:
    try:
        yield
    except StorageError:
        raise
    except FOREIGN as error:
        raise trouble(error, what) from error
