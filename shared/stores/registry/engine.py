"""One SQLAlchemy engine, how its transactions begin, and what its errors mean.

SQLite: the driver's own habit of beginning transactions is switched off (``isolation_level = None``); the ``begin``
event says BEGIN IMMEDIATE for a write, so that a second writer waits at its first statement instead of failing at its
last, and BEGIN for a read, which sees one snapshot throughout.
PostgreSQL: psycopg begins by itself (read committed); ``work.py`` makes whole transactions go one by one there too.
"""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import (
    ArgumentError,
    IntegrityError,
    InterfaceError,
    NoSuchModuleError,
    OperationalError,
    SQLAlchemyError,
    StatementError,
)
from sqlalchemy.exc import TimeoutError as PoolTimeout

from shared.ports import Conflict, NotFound, StorageError, StoreBusy
from shared.stores.sqlite_files import REGISTRY_ID, refuse_strangers, sqlite_trouble, tune

FOREIGN = (SQLAlchemyError, sqlite3.Error, OverflowError, UnicodeError)
"""What may come out of the database layer; ``trouble`` turns each into a StorageError."""

_FOREIGN_KEY, _NOT_NULL = "23503", "23502"
_CONNECT_TIMEOUT_S = 10
_PASSING_STATES = (
    "08",
    "40",
    "53",
    "55",
    "57",
    "58",
)  # connection, retry, resources, locks, shutdown, system


def make_engine(
    url: str | Path, busy_timeout_s: float, *, what: str = "registry", file_id: int = REGISTRY_ID
) -> Engine:
    where = _address(url, what)
    if where.get_backend_name() not in {"sqlite", "postgresql"}:
        raise StorageError(
            f"cannot use the {what} address {where.render_as_string()}: SQLite and PostgreSQL only"
        )
    if where.get_backend_name() == "sqlite":
        if not where.database or where.database == ":memory:":
            raise StorageError(f"the {what} needs a file: a database in memory does not outlive the program")
        refuse_strangers(Path(where.database), file_id)
    remote = where.get_backend_name() == "postgresql"
    patience = (
        {"connect_timeout": _CONNECT_TIMEOUT_S} if remote and "connect_timeout" not in where.query else {}
    )
    try:
        engine = create_engine(
            where,
            json_serializer=_to_json,
            pool_timeout=busy_timeout_s,
            pool_pre_ping=remote,
            connect_args=patience,
        )
    except (ArgumentError, NoSuchModuleError, ImportError) as error:
        raise StorageError(f"cannot use the {what} address {where.render_as_string()}: {error}") from error

    def on_connect(connection: Any, _record: object) -> None:
        if remote:
            connection.execute(f"SET lock_timeout = {int(busy_timeout_s * 1000)}")
            connection.commit()
        else:
            connection.isolation_level = None
            tune(connection, cache_kib=8_000, busy_timeout_s=busy_timeout_s)

    event.listen(engine, "connect", on_connect)
    if not remote:
        event.listen(engine, "begin", _on_begin)
    return engine


def _address(url: str | Path, what: str) -> URL:
    if isinstance(url, Path) or "://" not in url:
        return URL.create("sqlite", database=str(url))
    try:
        where = make_url(url)
    except ArgumentError as error:
        raise StorageError(f"the {what} address is no SQLAlchemy address") from error
    # the bare name means psycopg 3 here; the address of another driver must name it
    return where.set(drivername="postgresql+psycopg") if where.drivername == "postgresql" else where


def _on_begin(connection: Connection) -> None:
    write = connection.get_execution_options().get("turnbell_write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def _to_json(value: Any) -> str:
    try:
        return json.dumps(value, allow_nan=False, ensure_ascii=False, default=_plain)
    except (ValueError, TypeError) as error:
        raise StorageError(f"a figure cannot be kept: {error}") from error


def _plain(value: object) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} cannot be kept as JSON")


def trouble(error: Exception, what: str) -> StorageError:
    """The StorageError that says the same as ``error``; ``what`` was being done."""
    cause = error.orig if isinstance(error, StatementError) and error.orig is not None else error
    if isinstance(cause, StorageError):
        return cause
    if isinstance(cause, sqlite3.Error):
        return sqlite_trouble(cause, what)
    if isinstance(error, PoolTimeout):
        return StoreBusy(f"{what}: every connection is in use")
    state = getattr(cause, "sqlstate", None) or ""
    first_line = str(cause).strip().partition("\n")[0]
    if isinstance(error, IntegrityError):
        if state == _FOREIGN_KEY:
            return NotFound(f"{what}: it names something that is not there")
        return (
            StorageError(f"{what}: {first_line}") if state == _NOT_NULL else Conflict(f"{what}: {first_line}")
        )
    passing = isinstance(error, OperationalError | InterfaceError) or state.startswith(_PASSING_STATES)
    return (StoreBusy if passing else StorageError)(f"{what}: {first_line}")
