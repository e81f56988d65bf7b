"""What tests of several folders share: servers, each started once a run, and three short cuts."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
import vl_convert
from hypothesis import settings
from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher
from sqlalchemy import Engine

from api import auth_password
from ingest.broker import find_mosquitto
from shared.stores.migrations.upgrade import upgrade
from shared.stores.registry import store
from shared.stores.registry.engine import make_engine
from tests.contracts import postgresql as postgresqls
from tests.contracts import victoria as victorias
from tests.missing import missing

sys.setswitchinterval(0.0005)
"""Most tests wait for a thread of their own process, the server's above all; ten times as long is the usual."""
settings.register_profile("suite", deadline=None)
settings.load_profile("suite")
"""A machine that is busy with something else fails no test; all else is as the profile of before, of CI too, has it."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """First what shares something costly: near the end a worker takes over tests of another, and makes it once more."""
    items.sort(key=lambda item: not item.nodeid.startswith(("tests/pile_model/", "tests/e2e/test_demo.py")))


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


@pytest.fixture(scope="session", autouse=True)
def _steps_taken_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """A new embedded registry is a copy of one that went through all the steps, which costs a fifth. Tests of the steps
    themselves call ``upgrade``; programs in processes of their own take them all."""
    made = tmp_path_factory.mktemp("registry") / "registry.db"
    engine = make_engine(made, busy_timeout_s=10.0)
    upgrade(engine)
    engine.dispose()

    def copy_and_upgrade(engine: Engine) -> None:
        if engine.dialect.name == "sqlite":
            file = Path(str(engine.url.database))
            if not file.exists():
                shutil.copyfile(made, file)
        upgrade(engine)

    with pytest.MonkeyPatch.context() as here:
        here.setattr(store, "upgrade", copy_and_upgrade)
        yield


@pytest.fixture(scope="session", autouse=True)
def _cheap_passwords() -> Iterator[None]:
    """Argon2id as weak as it can be made: what it costs to guess is the library's matter, not a test's."""
    with pytest.MonkeyPatch.context() as here:
        weak = PasswordHash((Argon2Hasher(time_cost=1, memory_cost=8, parallelism=1),))
        here.setattr(auth_password, "_hasher", weak)
        yield


@pytest.fixture(scope="session", autouse=True)
def _chart_engine_put_together_once() -> Iterator[None]:
    """Not once for each yard's data folder: that takes two seconds of processor."""
    with pytest.MonkeyPatch.context() as here:
        here.setattr(vl_convert, "javascript_bundle", cache(vl_convert.javascript_bundle))
        yield
