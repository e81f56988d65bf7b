"""The image's own build and commands, without a container engine: ``python -m tests.deploy.image``.

Copies what the Containerfile copies, runs the RUN line of its build stage in a fresh environment from the hashed lock,
then starts its ENTRYPOINT with its CMD, and the services of compose.yaml with their own settings and secrets, over a
TLS broker with compose's configuration, PostgreSQL and VictoriaMetrics; a reading goes from an enrolled probe to the
far store. What this cannot show: the base image, its Debian packages, the account, volumes and networks.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from shared.readings import SensorKey
from shared.stores import open_line_readings, parse_address
from shared.times import Millis, Span
from tests import loopback
from tests.contracts import postgresql, victoria
from tests.deploy.composed import FILES, OURS, ROLES, Composed, composed
from tests.e2e.harness import Running, find_addresses, healthy, started, until
from tests.ports import free_port

ROOT = FILES.parents[1]
PATIENCE_S = 600.0
INSTALLED = "/opt/turnbell"


def instructions(text: str) -> Iterator[tuple[str, str]]:
    """(word, the rest), continued lines joined."""
    for line in re.sub(r"\\\n", " ", text).splitlines():
        word, _, rest = line.strip().partition(" ")
        if word and not word.startswith("#"):
            yield word, rest.strip()


def build(folder: Path) -> Path:
    """The build stage; gives the folder of the commands."""
    source, installed = folder / "src", folder / "turnbell"
    source.mkdir()
    stage = 0
    for word, rest in instructions((FILES / "Containerfile").read_text("utf-8")):
        stage += word == "FROM"
        if stage != 1:
            continue
        if word == "COPY":
            *names, to = shlex.split(rest)
            for name in names:
                _copy(ROOT / name, source / to if to != "./" else source / name)
        elif word == "RUN":
            line = rest.replace(INSTALLED, str(installed)).replace("python -m venv", f"{_python()} -m venv")
            _run(["sh", "-ec", line], source)
    return installed / "bin"


def _python() -> str:
    """Outside any virtual environment."""
    return shlex.quote(str(Path(sys.base_prefix) / "bin" / f"python3.{sys.version_info.minor}"))


def _copy(source: Path, to: Path) -> None:
    if source.is_dir():
        shutil.copytree(source, to, ignore=shutil.ignore_patterns("__pycache__", "secrets"))
    else:
        shutil.copy(source, to)


def _run(command: list[str], folder: Path) -> str:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=1800, check=False)
    if done.returncode:
        sys.exit(f"{' '.join(command)}\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    return done.stdout


def entry() -> list[str]:
    found = dict(instructions((FILES / "Containerfile").read_text("utf-8")))
    return [word for name in ("ENTRYPOINT", "CMD") for word in re.findall(r'"([^"]+)"', found[name])]


def serve(bin_: Path, data: Path) -> None:
    command = [_here(word, data) for word in entry()]
    with started([str(bin_ / command[0]), *command[1:], "--port", "0", "--mqtt-port", "0"]) as running:
        find_addresses(running, PATIENCE_S)
        until(lambda: healthy(running.web), PATIENCE_S, f"a healthy service; it said: {running.output()}")
        assert running.stop() == 0, running.output()


def _here(word: str, data: Path) -> str:
    return {"0.0.0.0": "127.0.0.1", "/var/lib/turnbell": str(data)}.get(word, word)


@contextmanager
def service(bin_: Path, made: Composed, name: str, registry: str, readings: str) -> Iterator[Running]:
    """Until its own healthcheck calls it well."""
    port = str(free_port())
    command = [word.replace("8750", port) for word in OURS[name]["command"]]
    if "--port" not in command:
        command += ["--port", port]
    with started(_with_environment(bin_, made, name, command, registry, readings)) as running:
        kind, *words = OURS[name]["healthcheck"]["test"]
        assert kind == "CMD"
        look = [str(bin_ / words[0]), *(word.replace("8750", port) for word in words[1:])]
        until(lambda: _passes(look), PATIENCE_S, f"{name} to be well; it said: {running.output()}")
        running.web = f"http://127.0.0.1:{port}/"
        yield running


def _passes(command: list[str]) -> bool:
    return subprocess.run(command, capture_output=True, timeout=60, check=False).returncode == 0


def _with_environment(
    bin_: Path, made: Composed, name: str, command: list[str], registry: str, readings: str
) -> list[str]:
    environment = {**os.environ, **made.environment(name, registry, readings)}
    here = [_here(word, made.folder / name) for word in command]
    return ["env", *(f"{key}={value}" for key, value in environment.items()), str(bin_ / "turnbell"), *here]


def compose(bin_: Path, folder: Path) -> None:
    programs = postgresql.programs()
    assert programs is not None, "install postgresql"
    with ExitStack() as stack:
        server = stack.enter_context(postgresql.running(programs))
        far = stack.enter_context(victoria.running()).fresh()
        made, registry = stack.enter_context(composed(folder)), server.fresh()
        services = {name: stack.enter_context(service(bin_, made, name, registry, far)) for name in ROLES}
        login = made.enrol("larkfield", "P-01")
        made.reload()
        probe = made.client(login, "probe")
        probe.connect("localhost", made.port)
        probe.loop_start()
        sent = probe.publish("turnbell/larkfield/P-01/readings", '{"celsius":{"45":61.9}}', 1)
        sent.wait_for_publish(PATIENCE_S)
        store = open_line_readings(parse_address(far), registry)
        key = SensorKey("larkfield", "P-01", "45")
        until(lambda: len(store.read(key, Span(Millis(0)))), PATIENCE_S, "the reading in the store")
        store.close()
        probe.disconnect()
        probe.loop_stop()
        counted = [
            _figure(services[name], "turnbell_ingest_messages_total") for name in ROLES if "ingest" in name
        ]
        assert sum(counted) == 1, counted
        nightly(bin_, made, registry, far)
        for name, running in services.items():
            assert running.stop() == 0, f"{name}: {running.output()}"


def _figure(running: Running, name: str) -> float:
    text = loopback.get(f"{running.web}metrics", timeout=60).text
    found = re.search(rf"^{name} (\S+)$", text, re.MULTILINE)
    assert found is not None, text
    return float(found[1])


def nightly(bin_: Path, made: Composed, registry: str, readings: str) -> None:
    """Its backup comes back."""
    backups = made.folder / "backups"
    (made.folder / "nightly").mkdir()
    backups.mkdir()
    told = OURS["nightly"]
    command = _with_environment(bin_, made, "nightly", told["command"], registry, readings)
    mounted = str(told["environment"]["TURNBELL_KEEPING_BACKUP_TO"])
    said = _run([word.replace(mounted, str(backups)) for word in command], made.folder)
    (file,) = backups.iterdir()
    assert str(file) in said
    _run([str(bin_ / "turnbell"), "restore", str(file), "--data", str(made.folder / "back")], made.folder)


def main() -> None:
    with TemporaryDirectory(prefix="turnbell-image-") as name:
        folder = Path(name)
        began = time.monotonic()
        bin_ = build(folder)
        packages = _run([str(bin_ / "pip"), "list", "--format", "freeze"], folder).count("==")
        size = sum(file.stat().st_size for file in bin_.parent.rglob("*") if file.is_file()) / 2**20
        print(f"built: {packages} packages, {size:.0f} MiB, in {time.monotonic() - began:.0f} s")
        print(_run([str(bin_ / "pip"), "check"], folder).strip())
        serve(bin_, folder / "data")
        print(f"ran and stopped: {shlex.join(entry())}")
        compose(bin_, folder / "compose")
        print(f"ran and stopped over TLS, PostgreSQL and VictoriaMetrics: {', '.join(OURS)}")


if __name__ == "__main__":
    main()
