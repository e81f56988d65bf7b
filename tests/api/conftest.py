"""A whole application on real stores in a temporary directory, and a caller of each role."""

from __future__ import annotations

import atexit
import tempfile
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

import apprise
import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal
from fastapi import FastAPI, Form, Request
from fastapi.responses import RedirectResponse, Response

from api.app import create_app
from api.auth import Viewer, create_token
from api.auth_session import close_session, open_session, safe_path
from api.parts import Parts
from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.people import ROLES, Role
from shared.piles import Pile, Site
from shared.readings import Reading, SensorKey
from shared.settings import Settings
from shared.stores import open_readings, open_registry
from shared.times import HOUR, MINUTE, Millis, parse_time

with warnings.catch_warnings():
    # one would rather have another HTTP client, the other's plugins use a module that Python 3.13 drops
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

    apprise.Apprise.instantiate("json://localhost")

NOW = parse_time("2026-11-25T06:00:00Z")
BUILT = parse_time("2026-11-20T06:00:00Z")
SITE = Site("larkfield", "Larkfield Yard", "Europe/Dublin")


class SetClock:
    """Stands still until a test moves it."""

    def __init__(self, at: Millis = NOW) -> None:
        self.at = at

    def now(self) -> Millis:
        return self.at

    def ahead(self, milliseconds: int) -> None:
        self.at = Millis(self.at + milliseconds)


@dataclass
class House:
    """What the tests look into behind the application."""

    parts: Parts
    clock: SetClock
    app: FastAPI
    tokens: dict[Role, str] = field(default_factory=dict)

    def client(self, role: Role | None = None, **headers: str) -> TestClient:
        """A caller with the token of ``role``; without a role a stranger."""
        if role is not None:
            headers["Authorization"] = f"Bearer {self.tokens[role]}"
        client = TestClient(
            self.app, base_url="http://turnbell.local", headers=headers, raise_server_exceptions=False
        )
        client.portal = _event_loop()
        return client

    def pile(self, peg: str = "K-01", built_at: Millis = BUILT, **fields: Any) -> Pile:
        pile = Pile(id=f"pile-{peg}", site=SITE.slug, peg=peg, built_at=built_at, **fields)
        self.parts.registry.piles.add(pile)
        return pile

    def hear(
        self,
        probe: str,
        depth: str,
        values: list[float],
        *,
        start: Millis = BUILT,
        step_ms: int = 30 * MINUTE,
    ) -> None:
        """Readings of one sensor as ingest would keep them."""
        key = SensorKey(SITE.slug, probe, depth)
        batch = [
            Reading(key, Millis(start + index * step_ms), value, Millis(start + index * step_ms))
            for index, value in enumerate(values)
        ]
        self.parts.readings.append(batch)
        self.parts.registry.probes.heard(SITE.slug, probe, batch[-1].at, {})


@cache
def _event_loop() -> BlockingPortal:
    """One for all requests, as a server has; a client of its own accord starts a thread and a loop for each."""
    held = start_blocking_portal()
    atexit.register(held.__exit__, None, None, None)
    return held.__enter__()


@cache
def _new_stores() -> dict[str, bytes]:
    """The files of two stores made a moment ago: made once, for that takes longer than many a test."""
    with tempfile.TemporaryDirectory() as folder:
        registry, readings = Path(folder, "registry.db"), Path(folder, "readings.db")
        open_registry(registry).close()
        open_readings(readings).close()
        return {file.name: file.read_bytes() for file in (registry, readings)}


def build_house(data_dir: Path, settings: Settings | None = None, **changes: Any) -> House:
    clock = SetClock()
    settings = settings or Settings()
    for name, content in _new_stores().items():
        (data_dir / name).write_bytes(content)
    registry = open_registry(data_dir / "registry.db")
    readings = open_readings(data_dir / "readings.db")
    catalogue = Catalogue.load()
    parts = Parts(
        registry=registry,
        readings=readings,
        book=HeatBook(readings, registry, catalogue, settings.max_gap_ms),
        catalogue=catalogue,
        settings=settings,
        data_dir=data_dir,
        clock=clock,
    )
    parts = replace(parts, **changes)
    house = House(parts, clock, create_app(parts))
    for role in ROLES:
        house.tokens[role] = create_token(registry, role, f"the {role}", Millis(NOW - HOUR))
    registry.sites.add(SITE)
    return house


def close_house(house: House) -> None:
    house.parts.readings.close()
    house.parts.registry.close()


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    built = build_house(tmp_path)
    yield built
    close_house(built)


@pytest.fixture
def manager(house: House) -> TestClient:
    return house.client("manager")


@pytest.fixture
def helper(house: House) -> TestClient:
    return house.client("helper")


@pytest.fixture
def viewer(house: House) -> TestClient:
    return house.client("viewer")


@pytest.fixture
def doors(tmp_path: Path) -> Iterator[House]:
    """A house with the plainest pages that use the session's mechanism."""
    house = build_house(tmp_path)

    @house.app.post("/test/enter")
    def enter(request: Request, key: str = Form(), onward: str = Form("/")) -> Response:
        session = open_session(request, key)
        answer = RedirectResponse(safe_path(onward), 303)
        session.attach(answer)
        return answer

    @house.app.post("/test/leave")
    def leave(request: Request, _: Viewer) -> Response:
        answer = RedirectResponse("/", 303)
        close_session(request, answer)
        return answer

    @house.app.post("/test/form")
    def form(caller: Viewer, word: str = Form()) -> dict[str, str]:
        return {"by": caller.name, "word": word}

    yield house
    close_house(house)


def enter(client: TestClient, key: str, **form: str) -> int:
    answer = client.post("/test/enter", data={"key": key, **form}, follow_redirects=False)
    return int(answer.status_code)
