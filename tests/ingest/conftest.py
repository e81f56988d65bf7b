from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from shared.ports import ReadingsStore, Registry
from shared.stores import open_readings, open_registry


@dataclass(frozen=True)
class Stores:
    readings: ReadingsStore
    registry: Registry
    folder: Path


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[Stores]:
    readings = open_readings(tmp_path / "readings.db")
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    yield Stores(readings, registry, tmp_path)
    readings.close()
    registry.close()
