"""Yards to look at, and a browser to look with; made once for the whole run."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.pages.axe import axe_source
from tests.pages.browser import chromium
from tests.pages.server import Yard, yard
from tests.pages.yard import LARKFIELD, forty

expect.set_options(timeout=30_000)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    return axe_source()


@pytest.fixture(scope="session")
def larkfield(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    """Six open piles and three finished ones; only looked at."""
    with yard(tmp_path_factory.mktemp("larkfield"), LARKFIELD) as found:
        yield found


@pytest.fixture(scope="session")
def forty_piles(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    with yard(tmp_path_factory.mktemp("forty"), forty()) as found:
        yield found


@pytest.fixture(scope="session")
def silent_yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    """Nothing has been heard for thirty hours."""
    with yard(tmp_path_factory.mktemp("silent"), LARKFIELD, stale_h=30.0) as found:
        yield found


@pytest.fixture
def empty_yard(tmp_path: Path) -> Iterator[Yard]:
    with yard(tmp_path, ()) as found:
        yield found


@pytest.fixture
def own_yard(tmp_path: Path) -> Iterator[Yard]:
    """Two piles of the test's own, to write to."""
    with yard(tmp_path, LARKFIELD[:2]) as found:
        yield found
