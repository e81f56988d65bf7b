"""A data directory and its backup."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from deploy.backup import backup
from shared.stores import open_readings, open_registry
from tests.contracts.child import batch
from tests.contracts.registry_made import furnished

RULE = 'id = "own"\n'


@pytest.fixture(scope="package")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data directory with both stores, a rule of one's own and a file that is no part of a backup; and its backup."""
    folder = tmp_path_factory.mktemp("made")
    data = folder / "yard"
    data.mkdir()
    registry = open_registry(data / "registry.db")
    furnished(registry)
    registry.memory.set("secret", "s3cret")
    registry.close()
    readings = open_readings(data / "readings.db")
    for number in range(20):
        readings.append(batch(number))
    readings.close()
    (data / "rules").mkdir()
    (data / "rules" / "my own rule.toml").write_text(RULE)
    (data / "broker.log").write_text("not kept")
    backup(data, folder / "yard.backup")
    return folder


@pytest.fixture
def yard(tmp_path: Path, made: Path) -> Path:
    return shutil.copytree(made / "yard", tmp_path / "yard")


@pytest.fixture
def file(tmp_path: Path, made: Path) -> Path:
    return Path(shutil.copy2(made / "yard.backup", tmp_path / "yard.backup"))


@pytest.fixture(autouse=True)
def leaves_nothing_behind(tmp_path: Path) -> Iterator[None]:
    yield
    assert list(tmp_path.rglob(".turnbell-*")) == []
