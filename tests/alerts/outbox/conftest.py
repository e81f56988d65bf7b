from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.ports import Registry
from tests.alerts.outbox.yard import yard


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    with yard(tmp_path) as opened:
        yield opened
