"""Every role in processes of its own on loopback: mosquitto, PostgreSQL, VictoriaMetrics, n ingesters, watches and
pages, each with a data directory of its own, killed and started at random while probes publish.

``python -m tests.roles.region [SECONDS]`` plays it with 3 + 2 + 2 for minutes and prints what came of it as JSON.
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
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import httpx
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from shared.people import Channel, Person, Subscription
from shared.piles import Pile, Placement, Site
from shared.readings import SensorKey
from shared.stores import LineReadings, open_line_readings, open_registry, parse_address
from shared.times import DAY, Millis, Span, SystemClock, iso
from tests.contracts import postgresql, victoria
from tests.e2e.harness import HookSink, until
from tests.ports import free_port

SITES = 6
PATIENCE_S = 300.0
HOT_C = 71.5  # cool_pile speaks at 70


@dataclass
class Role:
    """One process, started again under the same name and data directory."""

    name: str
    command: list[str]
    environment: dict[str, str]
    log: Path
    process: subprocess.Popen[bytes] | None = None
    web: str = ""

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(self.command, env=self.environment, stdout=log, stderr=log)

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait(30)


@dataclass
class Region:
    folder: Path
    config: Path
    registry_url: str
    far: str
    mqtt_port: int
    hook: HookSink
    roles: dict[str, Role] = field(default_factory=dict)
    published: Counter[str] = field(default_factory=Counter)

    def add(self, kind: str, number: int) -> Role:
        name = f"{kind}-{number}"
        data = self.folder / name
        data.mkdir()
        command = [sys.executable, "-m", "deploy", kind, "--data", str(data), "--config", str(self.config)]
        environment = {**os.environ, "TURNBELL_MQTT_CLIENT_ID": f"turnbell-{name}", "PYTHONUNBUFFERED": "1"}
        role = Role(name, command, environment, self.folder / f"{name}.log")
        if kind == "api":
            port = free_port()
            role.command += ["--port", str(port)]
            role.web = f"http://127.0.0.1:{port}/"
        self.roles[name] = role
        role.start()
        return role

    def wait_until_up(self) -> None:
        for role in self.roles.values():
            until(lambda role=role: _up(role), PATIENCE_S, f"{role.name}: {role.log.read_text()[-2000:]}")  # type: ignore[misc]  # a default binds the loop's value

    def readings(self) -> LineReadings:
        return open_line_readings(parse_address(self.far), self.registry_url)


def _up(role: Role) -> bool:
    if role.web:
        try:
            return httpx.get(f"{role.web}readyz", timeout=5, trust_env=False).status_code == 200
        except httpx.HTTPError:
            return False
    return "Running:" in role.log.read_text("utf-8", "replace")


@contextmanager
def region() -> Iterator[Region]:
    folder = Path(mkdtemp(prefix="turnbell-region-"))
    with ExitStack() as stack:
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        programs = postgresql.programs()
        assert programs is not None, "install postgresql"
        server = stack.enter_context(postgresql.running(programs))
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
        made = Region(folder, config, url, far, port, hook)
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


def play(made: Region, seconds: float, seed: int = 5) -> dict[str, Any]:
    """Publish for ``seconds`` while one role after the other is killed and started again; then see what is there."""
    choose, probes = random.Random(seed), Probes(made)
    kills: Counter[str] = Counter()
    names = sorted(made.roles)
    began = time.monotonic()
    next_kill = began + min(3.0, seconds / 4)
    probes.round(60.0)
    try:
        while time.monotonic() - began < seconds:
            probes.round(HOT_C if time.monotonic() - began > seconds / 2 else 60.0)
            if time.monotonic() > next_kill:
                name = (
                    names[sum(kills.values()) % len(names)]
                    if sum(kills.values()) < len(names)
                    else choose.choice(names)
                )
                made.roles[name].kill()
                kills[name] += 1
                made.roles[name].start()
                next_kill += max(2.0, seconds / 20)
            time.sleep(0.05)
        probes.round(HOT_C)
    finally:
        probes.close()
    return {"kills": dict(kills), **outcome(made)}


def outcome(made: Region) -> dict[str, Any]:
    """Wait until all that was acknowledged is stored and every pile's notice is out; then count what is doubled."""
    store, registry = made.readings(), open_registry(made.registry_url)
    try:

        def all_stored() -> bool:
            return all(_stored(store, site) >= n for site, n in made.published.items())

        until(
            all_stored,
            PATIENCE_S,
            f"{made.published}; there are {[_stored(store, s) for s in made.published]}",
        )

        def all_told() -> bool:
            return {post.json["site"] for post in made.hook.posts if post.json["kind"] == "cool_pile"} == set(
                made.published
            )

        until(all_told, PATIENCE_S, "a notice about every pile")
        firsts = Counter(
            (notice.pile_id, notice.kind, notice.reason, notice.channel_id)
            for notice in registry.notices.all(limit=1000)
            if notice.reason == "first" and notice.state != "withheld"
        )
        delivered = Counter(post.headers["Idempotency-Key"] for post in made.hook.posts)
        return {
            "acknowledged": sum(made.published.values()),
            "stored": sum(_stored(store, site) for site in made.published),
            "notices": sum(firsts.values()),
            "doubled_notices": sum(n - 1 for n in firsts.values()),
            "delivered_again_with_the_same_key": sum(n - 1 for n in delivered.values()),
        }
    finally:
        store.close()
        registry.close()


def _stored(store: LineReadings, site: str) -> int:
    return len(store.read(SensorKey(site, "P-01", "45"), Span(Millis(0))))


def main(seconds: float) -> None:
    with region() as made:
        for kind, n in (("api", 2), ("ingest", 3), ("watch", 2)):
            for number in range(n):
                made.add(kind, number)
        made.wait_until_up()
        print(json.dumps(play(made, seconds)))


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 180.0)
