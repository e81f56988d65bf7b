"""Requests a second of the round and of a heat report, beside a bare route of the same framework and server."""

from __future__ import annotations

import http.client
import json
import logging
import math
import socket
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from threading import Thread

import uvicorn
from fastapi import FastAPI

from api.app import create_app
from api.auth import create_token
from api.parts import Parts
from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.piles import Pile, Placement, Site
from shared.ports import ReadingsStore, Registry
from shared.readings import Reading, SensorKey
from shared.settings import Settings
from shared.stores import open_readings, open_registry
from shared.times import DAY, MINUTE, Millis, Span, SystemClock

PILES = 12
DAYS = 30
STEP_MS = 30 * MINUTE
CALLERS = 50
SECONDS = 3.0  # per figure


def main() -> None:
    logging.disable(logging.WARNING)
    with tempfile.TemporaryDirectory() as folder:
        data_dir = Path(folder)
        registry, readings = open_registry(data_dir / "registry.db"), open_readings(data_dir / "readings.db")
        catalogue, settings = Catalogue.load(), Settings()
        now = SystemClock().now()
        _furnish(registry, readings, now)
        parts = Parts(
            registry=registry,
            readings=readings,
            book=HeatBook(readings, registry, catalogue, settings.max_gap_ms),
            catalogue=catalogue,
            settings=settings,
            data_dir=data_dir,
        )
        app = create_app(parts)
        key = create_token(registry, "viewer", "bench", now)
        bare = FastAPI()

        @bare.get("/bare")
        def answer() -> dict[str, bool]:
            return {"well": True}

        with serving(bare) as port:
            baseline = _rate(port, "/bare", key)
        with serving(app) as port:
            for name, path in (
                ("api round, 12 piles", "/api/v1/round"),
                ("api heat report", "/api/v1/piles/pile-0/heat"),
                ("api pile", "/api/v1/piles/pile-0"),
                ("api readings, 400 points a sensor", "/api/v1/piles/pile-0/readings?points=400"),
            ):
                _tell(name, _rate(port, path, key), baseline)
            alone = _rate(port, "/api/v1/round", key)
            with ThreadPoolExecutor(CALLERS) as callers:
                rates = callers.map(lambda _: _rate(port, "/api/v1/round", key), range(CALLERS))
                _tell(f"api round, {CALLERS} callers at once beside one", sum(rates), alone)
        readings.close()
        registry.close()


def _tell(name: str, rate: float, baseline: float) -> None:
    figures = {
        "name": name,
        "value": round(rate, 1),
        "unit": "requests/s",
        "baseline": round(baseline, 1),
        "ratio": round(rate / baseline, 4),
    }
    print(json.dumps(figures))


@contextmanager
def serving(app: FastAPI) -> Iterator[int]:
    """``app`` on a free port of the loopback."""
    # asyncio sends small answers at once only where the listener says that it speaks TCP
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.bind(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, log_level="error", access_log=False))
    thread = Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    deadline = time.monotonic() + 15
    while not server.started:
        if time.monotonic() > deadline or not thread.is_alive():
            raise RuntimeError("the server did not start")
        time.sleep(0.01)
    try:
        yield listener.getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(15)
        listener.close()


def _rate(port: int, path: str, key: str) -> float:
    """One caller on one kept-alive connection, after a warm-up."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    headers = {"Authorization": f"Bearer {key}"}

    def ask() -> None:
        connection.request("GET", path, headers=headers)
        response = connection.getresponse()
        body = response.read()
        if response.status != 200 or not body:
            raise RuntimeError(f"{path} answered {response.status}")

    for _ in range(5):
        ask()
    count, began = 0, time.perf_counter()
    while time.perf_counter() - began < SECONDS:
        ask()
        count += 1
    rate = count / (time.perf_counter() - began)
    connection.close()
    return rate


def _furnish(registry: Registry, readings: ReadingsStore, now: Millis) -> None:
    registry.sites.add(Site("larkfield", "Larkfield Yard", "Europe/Dublin"))
    built = Millis(now - DAYS * DAY)
    steps = DAYS * DAY // STEP_MS
    for number in range(PILES):
        pile, probe = f"pile-{number}", f"lance-{number}"
        registry.piles.add(Pile(pile, "larkfield", f"K-{number:02d}", built, rule_ids=("three-turns",)))
        registry.probes.place(Placement(f"place-{number}", "larkfield", probe, pile, Span(built), "middle"))
        for depth in ("15", "45", "75"):
            sensor = SensorKey("larkfield", probe, depth)
            readings.append(
                [
                    Reading(sensor, at, 55.0 + 8.0 * math.sin(step / 40 + number), at)
                    for step in range(steps)
                    for at in (Millis(built + step * STEP_MS),)
                ]
            )


if __name__ == "__main__":
    main()
