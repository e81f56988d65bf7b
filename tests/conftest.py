"""The servers that tests of several folders share, each started once a run."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest

from ingest.broker import find_mosquitto
from tests.contracts import postgresql as postgresqls
from tests.contracts import victoria as victorias
from tests.missing import missing


@pytest.fixture(scope="session")
def mosquitto() -> str:
    """Where the broker's program is; nothing is started."""
    return find_mosquitto() or missing("mosquitto")


@pytest.fixture(scope="session")
def victoria() -> Iterator[victorias.Victoria]:
    if victorias.PROGRAM is None:
        missing("victoria-metrics")
    with victorias.running() as server:
        yield server


@pytest.fixture(scope="session")
def postgresql() -> Iterator[postgresqls.Server]:
    programs = postgresqls.programs()
    if programs is None:
        missing("postgresql")
    with postgresqls.running(programs) as server:
        yield server


@pytest.fixture(scope="session")
def systemd_analyze() -> str:
    """Where the program is that judges units."""
    return shutil.which("systemd-analyze") or missing("systemd")
