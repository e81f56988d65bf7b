"""The servers that tests of several folders share, each started once a run. Missing at home: skipped. In CI: a failure."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from ingest.broker import find_mosquitto
from tests.contracts import postgresql as postgresqls
from tests.contracts import victoria as victorias


def _missing(program: str) -> None:
    if os.environ.get("CI"):
        pytest.fail(f"{program} is not installed, and CI must have it")
    pytest.skip(f"{program} is not installed")


@pytest.fixture(scope="session")
def mosquitto() -> str:
    """Where the broker's program is; nothing is started."""
    program = find_mosquitto()
    if program is None:
        _missing("mosquitto")
    return str(program)


@pytest.fixture(scope="session")
def victoria() -> Iterator[victorias.Victoria]:
    if victorias.PROGRAM is None:
        _missing("victoria-metrics")
    with victorias.running() as server:
        yield server


@pytest.fixture(scope="session")
def postgresql() -> Iterator[postgresqls.Server]:
    programs = postgresqls.programs()
    if programs is None:
        _missing("postgresql")
    else:
        with postgresqls.running(programs) as server:
            yield server
