from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.ports import Registry
from tests.alerts.outbox.ledger import HEAD, TABLE
from tests.alerts.outbox.yard import yard


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    with yard(tmp_path) as opened:
        yield opened


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if TABLE:
        terminalreporter.section("notices under faults")
        terminalreporter.write_line(HEAD)
        for line in TABLE:
            terminalreporter.write_line(str(line))
