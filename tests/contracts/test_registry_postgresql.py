"""The registry on PostgreSQL keeps the registry contract, and meets what only a server can do to it."""

from __future__ import annotations

from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

from shared.ports import StorageError, StoreBusy
from shared.stores import open_registry
from shared.stores.registry.columns import metadata
from shared.stores.registry.store import SqlRegistry
from tests.contracts.postgresql import Server
from tests.contracts.registry_contract import RegistryContract
from tests.contracts.registry_made import furnished


class TestPostgresqlRegistry(RegistryContract):
    @pytest.fixture
    def address(self, postgresql: Server) -> str:
        return f"postgresql={postgresql.fresh()}"


def test_the_migrations_lead_to_the_tables_that_the_program_uses(postgresql: Server) -> None:
    registry = open_registry(postgresql.fresh())
    assert isinstance(registry, SqlRegistry)
    with registry._work.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
    registry.close()


def test_a_connection_that_the_server_cuts_is_busy_and_the_next_call_works(postgresql: Server) -> None:
    registry = open_registry(postgresql.fresh())
    furnished(registry)
    cut = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE pid <> pg_backend_pid() AND datname LIKE 'registry%'"

    def lose() -> None:
        with registry.begin() as tx:
            tx.memory.set("a", "1")
            postgresql.run(cut)
            tx.memory.set("b", "2")

    with pytest.raises(StoreBusy):
        lose()
    assert registry.memory.names("") == {}
    postgresql.run(cut)
    registry.memory.set("c", "3")
    assert registry.memory.names("") == {"c": "3"}
    registry.close()


def test_a_server_that_is_not_there_is_busy(tmp_path: Path) -> None:
    with pytest.raises(StoreBusy):
        open_registry(f"postgresql://turnbell@/registry?host={tmp_path}")


def test_a_registry_of_a_newer_program_is_refused(postgresql: Server) -> None:
    address = postgresql.fresh()
    registry = open_registry(address)
    assert isinstance(registry, SqlRegistry)
    with registry._work.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    registry.close()
    with pytest.raises(StorageError, match="newer version of this program"):
        open_registry(address)
