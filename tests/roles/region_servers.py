"""A region's servers and roles on loopback: mosquitto, PostgreSQL, VictoriaMetrics, and processes of each role, each
with a data directory of its own."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import mkdtemp

from shared.people import Channel, Person, Subscription
from shared.piles import Pile, Placement, Site
from shared.stores import LineReadings, open_line_readings, open_registry, parse_address
from shared.times import DAY, Millis, Span, SystemClock
from tests.contracts import postgresql, victoria
from tests.e2e.harness import HookSink, until
from tests.ports import free_port
from tests.roles.role import Launch, Role

SITES = 6
PATIENCE_S = 300.0


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
