"""The embedded readings store keeps the readings contract."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.contracts.readings_contract import ReadingsContract


class TestSqliteReadings(ReadingsContract):
    @pytest.fixture
    def address(self, tmp_path: Path) -> str:
        return f"sqlite={tmp_path / 'readings.db'}"
