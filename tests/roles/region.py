"""Every role in processes of its own on loopback: mosquitto, PostgreSQL, VictoriaMetrics, n ingesters, watches and
pages, each with a data directory of its own, killed and started at random while probes publish.

``python -m tests.roles.region [SECONDS]`` plays it with 3 + 2 + 2 for minutes and prints what came of it as a table.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from shared.people import Channel, Person, Subscription
from shared.piles import Pile, Placement, Site
from shared.ports import Registry
from shared.readings import SensorKey
from shared.stores import LineReadings, open_line_readings, open_registry, parse_address
from shared.times import DAY, Millis, Span, SystemClock, iso
from tests.contracts import postgresql, victoria
from tests.e2e.harness import HookSink, until
from tests.ports import free_port
from tests.roles.nursery import Nursery
from tests.roles.observer import Observer
from tests.roles.role import Launch, Role

SITES = 6
PATIENCE_S = 300.0
HOT_C = 71.5  # cool_pile speaks at 70


@dataclass
class Region:
    folder: Path
    config: Path
    registry_url: str
    far: str
    mqtt_port: int
    hook: HookSink
    launch: Launch
    roles: dict[str, Role] = field(default_factory=dict)
    published: Counter[str] = field(default_factory=Counter)

    def add(self, kind: str, number: int) -> Role:
        name = f"{kind}-{number}"
        data = self.folder / name
        data.mkdir()
        command = [kind, "--data", str(data), "--config", str(self.config)]
        environment = {**os.environ, "TURNBELL_MQTT_CLIENT_ID": f"turnbell-{name}", "PYTHONUNBUFFERED": "1"}
        role = Role(name, command, environment, self.folder / f"{name}.log", self.launch)
        if kind == "api":
            port = free_port()
            role.command += ["--port", str(port)]
            role.web = f"http://127.0.0.1:{port}/"
        self.roles[name] = role
        role.start()
        return role

    def wait_until_up(self) -> None:
        for role in self.roles.values():
            until(role.is_up, PATIENCE_S, f"{role.name} to start in {self.folder}")

    def readings(self) -> LineReadings:
        return open_line_readings(parse_address(self.far), self.registry_url)


@contextmanager
def region(
    launch: Launch, server: postgresql.Server | None = None, metrics: victoria.Victoria | None = None
) -> Iterator[Region]:
    """``server`` and ``metrics`` = those that run already; else of its own."""
    folder = Path(mkdtemp(prefix="turnbell-region-"))
    with ExitStack() as stack:
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        if server is None:
            programs = postgresql.programs()
            assert programs is not None, "install postgresql"
            server = stack.enter_context(postgresql.running(programs))
        if metrics is None:
            metrics = stack.enter_context(victoria.running())
        hook = stack.enter_context(HookSink())
        port = stack.enter_context(_mosquitto(folder))
        url, far = server.fresh(), metrics.fresh()
        config = folder / "turnbell.toml"
        config.write_text(
            f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\nshared_group = "yard"\n'
            f'[registry]\nurl = "{url}"\n[readings]\nurl = "{far}"\nspool = "{url}"\n'
            "[web]\nallow_private_webhooks = true\n",
            "utf-8",
        )
        _furnish(url, hook.url)
        made = Region(folder, config, url, far, port, hook, launch)
        try:
            yield made
        finally:
            for role in made.roles.values():
                role.kill()


@contextmanager
def _mosquitto(folder: Path) -> Iterator[int]:
    program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    port, data = free_port(), folder / "mosquitto"
    data.mkdir()
    conf = folder / "mosquitto.conf"
    user = "root" if os.geteuid() == 0 else ""
    conf.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location {data}/\n"
        "autosave_interval 1\nautosave_on_changes true\nmax_queued_messages 0\n"
        + (f"user {user}\n" if user else "")
    )
    with (folder / "mosquitto.log").open("ab") as log:
        process = subprocess.Popen([program, "-c", str(conf)], stdout=log, stderr=log)
    try:
        yield port
    finally:
        process.terminate()
        process.wait(30)


def _furnish(url: str, hook: str) -> None:
    registry = open_registry(url)
    built = Millis(SystemClock().now() - 3 * DAY)
    with registry.begin() as tx:
        tx.people.add(Person("ann", "Ann", "UTC"))
        tx.people.add_channel(Channel("ann-hook", "ann", "webhook", hook))
        tx.people.subscribe(Subscription("ann-all", "ann"))
        for number in range(SITES):
            slug = f"yard-{number}"
            tx.sites.add(Site(slug, f"Yard {number}", "UTC"))
            tx.piles.add(Pile(f"k{number}", slug, "K-01", built))
            tx.probes.place(Placement(f"s{number}", slug, "P-01", f"k{number}", Span(built), "middle"))
    registry.close()


class Probes:
    """One client that publishes for every site, in rounds; what the broker has acknowledged is counted."""

    def __init__(self, made: Region) -> None:
        self._region = made
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="probes")
        until(self._connect, PATIENCE_S, "a connection to the broker")
        self.client.loop_start()
        self._at = 0

    def _connect(self) -> bool:
        try:
            self.client.connect("127.0.0.1", self._region.mqtt_port)
        except OSError:
            return False
        return True

    def round(self, celsius: float) -> None:
        self._at = max(self._at + 1, SystemClock().now())
        sent = []
        for number in range(SITES):
            payload = json.dumps({"time": iso(Millis(self._at)), "celsius": {"45": celsius}})
            sent.append(self.client.publish(f"turnbell/yard-{number}/P-01/readings", payload, 1))
        for number, one in enumerate(sent):
            one.wait_for_publish(PATIENCE_S)
            assert one.is_published()
            self._region.published[f"yard-{number}"] += 1

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def play(made: Region, seconds: float, kill: Sequence[str] = (), seed: int = 5) -> dict[str, Any]:
    """Publish for ``seconds`` while roles are killed and started again; then see what is there.

    ``kill`` names them, in this order, each once, however slow they are to come back; without it, all are killed once
    and then whom chance picks, one at a time. The piles grow hot half-way.
    """
    victims = _victims(list(made.roles), kill, seed)
    registry = open_registry(made.registry_url)
    observer = Observer(registry, [role.web for role in made.roles.values() if role.web])
    observer.start()
    probes = Probes(made)
    began = time.monotonic()
    every_s = min(10.0, seconds / (len(kill) + 2))
    next_kill, victim, hot_at = began + every_s / 2, next(victims), 0.0
    try:
        while time.monotonic() - began < seconds or (kill and victim):
            hot = time.monotonic() - began > seconds / 2
            probes.round(HOT_C if hot else 60.0)
            hot_at = hot_at or (time.time() if hot else 0.0)
            if (
                victim
                and time.monotonic() > next_kill
                and (kill or all(map(Role.is_up, made.roles.values())))
            ):
                made.roles[victim].kill()
                made.roles[victim].start()
                victim, next_kill = next(victims, ""), time.monotonic() + every_s
            time.sleep(0.05)
        probes.round(HOT_C)
        found = outcome(made, registry)
    finally:
        probes.close()
        observer.stop()
        registry.close()
    killed = {
        kind: [at for role in made.roles.values() if role.kind == kind for at in role.killed_at]
        for kind in ("api", "ingest", "watch")
    }
    return {
        "kills": {kind: len(at) for kind, at in killed.items()},
        **found,
        "hot_reading_to_notice_s": [round(at - hot_at, 1) for at in sorted(_first_told(made).values())],
        "watch_taken_over_after_s": [round(s, 1) for s in sorted(observer.takeovers_s(killed["watch"]))],
        "pages_asked": observer.asked,
        "pages_answered_by_none": observer.unanswered,
    }


def _victims(names: list[str], kill: Sequence[str], seed: int) -> Iterator[str]:
    choose = random.Random(seed)
    yield from kill or names
    while not kill:
        yield choose.choice(names)


def _first_told(made: Region) -> dict[str, float]:
    """Site -> when its hook was first posted to, wall seconds."""
    found: dict[str, float] = {}
    for post in made.hook.posts:
        if post.json["kind"] == "cool_pile":
            found.setdefault(post.json["site"], post.at)
    return found


def outcome(made: Region, registry: Registry) -> dict[str, int]:
    """Wait until all that was acknowledged is stored and every pile's notice is out; then count what is doubled."""
    store = made.readings()
    try:

        def all_stored() -> bool:
            return all(_stored(store, site) >= n for site, n in made.published.items())

        until(
            all_stored,
            PATIENCE_S,
            f"{made.published}; there are {[_stored(store, s) for s in made.published]}",
        )
        until(lambda: set(_first_told(made)) == set(made.published), PATIENCE_S, "a notice about every pile")
        firsts = Counter(
            (notice.pile_id, notice.kind, notice.reason, notice.channel_id)
            for notice in registry.notices.all(limit=1000)
            if notice.reason == "first" and notice.state != "withheld"
        )
        delivered = Counter(post.headers["Idempotency-Key"] for post in made.hook.posts)
        acknowledged, stored = sum(made.published.values()), {s: _stored(store, s) for s in made.published}
        return {
            "acknowledged": acknowledged,
            "lost": sum(max(0, n - stored[site]) for site, n in made.published.items()),
            "doubled": sum(max(0, stored[site] - n) for site, n in made.published.items()),
            "notices": sum(firsts.values()),
            "lost_notices": len(set(made.published) - set(_first_told(made))),
            "doubled_notices": sum(n - 1 for n in firsts.values()),
            "delivered_again_with_the_same_key": sum(n - 1 for n in delivered.values()),
        }
    finally:
        store.close()


def _stored(store: LineReadings, site: str) -> int:
    return len(store.read(SensorKey(site, "P-01", "45"), Span(Millis(0))))


def main(seconds: float) -> None:
    with Nursery() as nursery, region(nursery.start) as made:
        for kind, n in (("api", 2), ("ingest", 3), ("watch", 2)):
            for number in range(n):
                made.add(kind, number)
        made.wait_until_up()
        for name, value in play(made, seconds).items():
            print(f"{name:36} {value}")
        print(f"{'load_average':36} {os.getloadavg()[0]:.0f}")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 180.0)
