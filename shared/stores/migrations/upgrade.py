"""Brings a registry up to this program's tables, in one transaction."""

from __future__ import annotations

import logging
from functools import cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import Connection, Engine, text

from shared.ports import StorageError
from shared.stores.registry.engine import FOREIGN, trouble
from shared.stores.sqlite_files import REGISTRY_ID

HERE = Path(__file__).parent
_LOCK = 0x54425247  # one migrator at a time on PostgreSQL; on SQLite BEGIN IMMEDIATE is that

log = logging.getLogger(__name__)


def upgrade(engine: Engine) -> None:
    """Raise StorageError, with nothing changed, when the database is newer than this program."""
    scripts = _scripts()
    head = scripts.get_current_head()
    try:
        with engine.connect() as connection:
            if _revision(connection, scripts) == head:
                return
        with (
            engine.connect().execution_options(turnbell_write=True) as connection,
            connection.begin(),
        ):
            if engine.dialect.name == "postgresql":
                connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
            before = _revision(connection, scripts)
            if before == head:
                return
            if engine.dialect.name == "sqlite":
                connection.exec_driver_sql(f"PRAGMA application_id={REGISTRY_ID}")
            config = _config()
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            log.info("registry migrated from=%s to=%s", before or "nothing", head)
    except FOREIGN as error:
        raise trouble(error, "opening the registry") from error
    except CommandError as error:
        raise StorageError(f"opening the registry: {error}") from error


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(HERE).replace("%", "%%"))
    return config


@cache
def _scripts() -> ScriptDirectory:
    """Read once: Alembic compiles every step anew."""
    return ScriptDirectory.from_config(_config())


def _revision(connection: Connection, scripts: ScriptDirectory) -> str | None:
    revision = MigrationContext.configure(connection).get_current_revision()
    known = {script.revision for script in scripts.walk_revisions()}
    if revision is not None and revision not in known:
        raise StorageError(
            f"the registry is of a newer version of this program (its tables are at {revision}); "
            "nothing was changed: install that version, or restore a backup made with this one"
        )
    return revision
