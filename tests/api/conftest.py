"""A whole application on real stores in a temporary directory, and a caller of each role."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import apprise
import pytest
from fastapi import FastAPI

from api.app import create_app
from api.auth import create_token
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
        return TestClient(
            self.app, base_url="http://turnbell.local", headers=headers, raise_server_exceptions=False
        )

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


def build_house(data_dir: Path, settings: Settings | None = None, **changes: Any) -> House:
    clock = SetClock()
    settings = settings or Settings()
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
