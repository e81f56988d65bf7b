from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.alerts.watched import Yard


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    made = Yard(tmp_path)
    yield made
    made.close()
