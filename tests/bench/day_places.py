"""Where the bench of a day plays: a furnished service on one machine, or its roles apart."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from deploy.house import RUNNING_FILE
from shared.people import Channel, Person, Subscription
from shared.piles import Pile, Placement, Site
from shared.ports import ReadingsStore, Registry
from shared.readings import Reading, SensorKey
from shared.stores import open_readings, open_registry
from shared.times import MINUTE, Millis, Span
from tests.bench.day_service import LedClock
from tests.e2e.harness import HookSink, until
from tests.roles.nursery import Nursery
from tests.roles.region_servers import region

DEPTHS = ("15", "45", "75")
PROBES_A_PILE, PILES_A_SITE = 2, 50
STEP = 10 * MINUTE
PATIENCE_S = 3600.0


@dataclass
class Place:
    """Where a service runs, and how it is reached."""

    store: ReadingsStore
    folder: Path
    port: int
    hook: HookSink
    clock: LedClock | None = None


def piles_of(sensors: int) -> int:
    return max(2, sensors // (PROBES_A_PILE * len(DEPTHS)))


def furnish(registry: Registry, piles: int, built: Millis, hook: str) -> None:
    with registry.begin() as tx:
        tx.people.add(Person("orla", "Orla", "UTC"))
        tx.people.add_channel(Channel("orla-hook", "orla", "webhook", hook))
        tx.people.subscribe(Subscription("orla-all", "orla"))
        for number in range(piles):
            site = f"b{number // PILES_A_SITE}"
            if number % PILES_A_SITE == 0:
                tx.sites.add(Site(site, f"Yard {site}", "UTC"))
            tx.piles.add(Pile(f"b{number}", site, f"B-{number}", built))
            for probe in range(PROBES_A_PILE):
                name = f"P-{number}-{probe}"
                tx.probes.place(Placement(f"pl-{name}", site, name, f"b{number}", Span(built), "middle"))


def lay_down(store: ReadingsStore, piles: int, start: int, end: int) -> None:
    """History, a round a batch."""
    for at in range(start, end, STEP):
        store.append([Reading(key, Millis(at), 55.0, Millis(at)) for key in _keys(piles)])


def _keys(piles: int) -> Iterator[SensorKey]:
    for number in range(piles):
        for probe in range(PROBES_A_PILE):
            for depth in DEPTHS:
                yield SensorKey(f"b{number // PILES_A_SITE}", f"P-{number}-{probe}", depth)


@contextmanager
def one(piles: int, built: Millis, laid: tuple[int, int]) -> Iterator[Place]:
    with TemporaryDirectory(prefix="turnbell-day-") as name, HookSink() as hook:
        data = Path(name) / "data"
        data.mkdir()
        registry = open_registry(data / "registry.db")
        furnish(registry, piles, built, hook.url)
        registry.close()
        store = open_readings(data / "readings.db")
        lay_down(store, piles, *laid)
        ahead = Path(name) / "ahead"
        ahead.write_bytes(bytes(8))
        service = subprocess.Popen([sys.executable, "-m", "tests.bench.day_service", str(data), str(ahead)])
        try:
            word = data / RUNNING_FILE
            said = until(
                lambda: word.read_text("utf-8") if word.exists() else "", PATIENCE_S, "a service that listens"
            )
            port = json.loads(said)["mqtt_port"]
            yield Place(store, data, port, hook, LedClock(ahead))
        finally:
            service.terminate()
            service.wait(60)
            store.close()


@contextmanager
def apart(piles: int, built: Millis, _laid: tuple[int, int]) -> Iterator[Place]:
    with Nursery() as nursery, region(nursery.start) as made:
        registry = open_registry(made.registry_url)
        furnish(registry, piles, built, made.hook.url)
        registry.close()
        for kind, n in (("api", 1), ("ingest", 2), ("watch", 2)):
            for number in range(n):
                made.add(kind, number)
        made.wait_until_up()
        store = made.readings()
        try:
            yield Place(store, made.folder, made.mqtt_port, made.hook)
        finally:
            store.close()
