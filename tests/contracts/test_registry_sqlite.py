"""The registry on SQLite keeps the registry contract."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.contracts.registry_contract import RegistryContract


class TestSqliteRegistry(RegistryContract):
    @pytest.fixture
    def address(self, tmp_path: Path) -> str:
        return f"sqlite={tmp_path / 'registry.db'}"
