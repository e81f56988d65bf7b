"""Readings in VictoriaMetrics keep the readings contract: while they are on their way there, and once all are there."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.contracts.readings_contract import ReadingsContract
from tests.contracts.readings_kept import ReadingsKept
from tests.contracts.victoria import Victoria


class TestReadingsOnTheirWay(ReadingsContract):
    @pytest.fixture
    def address(self, victoria: Victoria, tmp_path: Path) -> str:
        return f"line-forwarded={victoria.fresh()} {tmp_path / 'spool.db'}"


class TestReadingsThatHaveArrived(ReadingsKept):
    @pytest.fixture
    def address(self, victoria: Victoria, tmp_path: Path) -> str:
        return f"line-settled={victoria.fresh()} {tmp_path / 'spool.db'}"
