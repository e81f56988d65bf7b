"""The real application on real stores behind a real HTTP server on a free port of the loopback."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import httpx
import uvicorn

from api.app import create_app
from api.auth import create_token
from api.pages.sparks import sparks_of
from api.parts import Parts
from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.settings import Settings
from shared.stores import open_readings, open_registry
from shared.times import Millis
from shared.warm_loop import WarmLoop
from tests.loopback import NO_AUTHORITIES
from tests.pages.yard import NOW, Sketch, furnish


class SetClock:
    def __init__(self, at: Millis = NOW) -> None:
        self.at = at

    def now(self) -> Millis:
        return self.at


@dataclass
class Yard:
    address: str
    parts: Parts
    clock: SetClock
    key: str  # a manager's token


def client_of(yard: Yard, key: str | None, accept: str = "*/*") -> httpx.Client:
    headers = {"Accept": accept} | ({"Authorization": f"Bearer {key}"} if key else {})
    return httpx.Client(base_url=yard.address, headers=headers, timeout=60, verify=NO_AUTHORITIES)


@contextmanager
def open_parts(
    data_dir: Path, sketches: tuple[Sketch, ...], *, stale_h: float = 0.0, **changes: Any
) -> Iterator[Parts]:
    settings = Settings()
    registry = open_registry(data_dir / "registry.db")
    readings = open_readings(data_dir / "readings.db")
    try:
        furnish(registry, readings, sketches, stale_h=stale_h)
        catalogue = Catalogue.load()
        book = HeatBook(readings, registry, catalogue, settings.max_gap_ms)
        parts = Parts(
            registry=registry, readings=readings, book=book, catalogue=catalogue, settings=settings,
            data_dir=data_dir, clock=SetClock(),
        )  # fmt: skip
        while not WarmLoop(
            registry, book, parts.clock, beside_watch=False, then=sparks_of(book).of_many
        ).step(NOW):
            pass
        yield replace(parts, **changes)
    finally:
        readings.close()
        registry.close()


@contextmanager
def serve(parts: Parts) -> Iterator[str]:
    # named as TCP, so that the server sends answers at once instead of waiting for more to say
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.bind(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(create_app(parts), log_level="warning", lifespan="off"))
    runner = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    runner.start()
    deadline = time.monotonic() + 15
    while not server.started:
        if time.monotonic() > deadline or not runner.is_alive():
            raise RuntimeError("the server did not start")
        time.sleep(0.01)
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        runner.join(10)
        listener.close()


@contextmanager
def yard(data_dir: Path, sketches: tuple[Sketch, ...], **changes: Any) -> Iterator[Yard]:
    with open_parts(data_dir, sketches, **changes) as parts, serve(parts) as address:
        clock = parts.clock
        assert isinstance(clock, SetClock)
        yield Yard(address, parts, clock, create_token(parts.registry, "manager", "the manager", clock.at))
