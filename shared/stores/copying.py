"""One database's tables into another of either kind: a registry moves from SQLite to PostgreSQL, a backup back."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, MetaData, delete, func, insert, select, text

from shared.ports import Conflict
from shared.stores.line import tables as line
from shared.stores.migrations.upgrade import upgrade
from shared.stores.registry.columns import metadata as registry_metadata
from shared.stores.registry.engine import FOREIGN, make_engine, trouble
from shared.stores.sqlite_files import BUSY_TIMEOUT_S, SPOOL_ID

_AT_ONCE = 2_000
_FILLED_AT_BIRTH = {"counters", "line_counters"}


def copy_registry(source: str | Path, target: str | Path) -> dict[str, int]:
    """All rows of one registry, as of one instant, into a new or empty other one; gives how many of each table.

    Raises Conflict when the target holds anything, StorageError when either cannot be used; then the target is as it
    was, apart from its empty tables.
    """
    here = make_engine(source, BUSY_TIMEOUT_S)
    there = make_engine(target, BUSY_TIMEOUT_S)
    try:
        upgrade(here)
        upgrade(there)
        return _copy(registry_metadata, here, there, "the registry")
    finally:
        here.dispose()
        there.dispose()


def copy_spool(source: str | Path, target: str | Path) -> dict[str, int]:
    """The same of a spool."""
    here = make_engine(source, BUSY_TIMEOUT_S, what="spool", file_id=SPOOL_ID)
    there = make_engine(target, BUSY_TIMEOUT_S, what="spool", file_id=SPOOL_ID)
    try:
        line.make_tables(here)
        line.make_tables(there)
        return _copy(line.metadata, here, there, "the spool")
    finally:
        here.dispose()
        there.dispose()


def _copy(metadata: MetaData, here: Engine, there: Engine, what: str) -> dict[str, int]:
    copied: dict[str, int] = {}
    snapshot = {"isolation_level": "REPEATABLE READ"} if here.dialect.name == "postgresql" else {}
    try:
        with (
            here.connect().execution_options(**snapshot) as source,
            there.connect().execution_options(turnbell_write=True) as target,
            source.begin(),
            target.begin(),
        ):
            _refuse_filled(metadata, target, what)
            for table in metadata.sorted_tables:
                if table.name in _FILLED_AT_BIRTH:
                    target.execute(delete(table))
                copied[table.name] = 0
                rows = source.execution_options(yield_per=_AT_ONCE).execute(select(table)).mappings()
                for piece in rows.partitions(_AT_ONCE):
                    target.execute(insert(table), [dict(row) for row in piece])
                    copied[table.name] += len(piece)
            _count_on(metadata, target)
    except FOREIGN as error:
        raise trouble(error, f"copying {what}") from error
    return copied


def _refuse_filled(metadata: MetaData, target: Connection, what: str) -> None:
    for table in metadata.sorted_tables:
        if table.name not in _FILLED_AT_BIRTH and target.execute(select(table).limit(1)).first() is not None:
            raise Conflict(
                f"the target of {what} holds something already ({table.name}); name an empty database"
            )


def _count_on(metadata: MetaData, target: Connection) -> None:
    """A PostgreSQL sequence does not see the numbers that were copied past it."""
    if target.dialect.name != "postgresql":
        return
    for table in metadata.sorted_tables:
        column = table.autoincrement_column
        if column is None:
            continue
        highest = target.execute(select(func.max(column))).scalar_one()
        sequence = target.execute(
            text("SELECT pg_get_serial_sequence(:table, :column)"),
            {"table": table.name, "column": column.name},
        ).scalar_one()
        if highest is not None and sequence is not None:
            target.execute(
                text("SELECT setval(:sequence, :highest)"), {"sequence": sequence, "highest": highest}
            )


def is_file(url: str | None) -> bool:
    """Whether an address (None = embedded) is a SQLite file of this machine."""
    return url is None or "://" not in url or url.startswith("sqlite")
