"""What compose.yaml puts together, run as processes on loopback: its secrets, its broker, its services."""

from __future__ import annotations

import os
import re
import shutil
import ssl
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as mqtt
import yaml
from paho.mqtt.enums import CallbackAPIVersion

from tests.e2e.harness import until
from tests.ports import free_port

FILES = Path(__file__).parents[2] / "deploy" / "files"
FOLDER = FILES / "compose"
COMPOSE = yaml.safe_load((FOLDER / "compose.yaml").read_text("utf-8"))
OURS = {name: service for name, service in COMPOSE["services"].items() if service["image"] == "turnbell"}
ROLES = [name for name, service in OURS.items() if "profiles" not in service]
PATIENCE_S = 60.0


@dataclass(frozen=True)
class Login:
    username: str
    password: str


@dataclass
class Composed:
    """A copy of the compose folder with secrets of its own and its broker running."""

    folder: Path
    port: int
    process: subprocess.Popen[bytes]

    def secret(self, name: str) -> Path:
        return self.folder / str(COMPOSE["secrets"][name]["file"])

    def enrol(self, site: str, probe: str) -> Login:
        said = script(self.folder, "probe.sh", site, probe)
        found = dict(re.findall(r"^(username|password)\s+(\S+)$", said, re.MULTILINE))
        return Login(found["username"], found["password"])

    def reload(self) -> None:
        """What `compose kill -s HUP broker` does."""
        self.process.send_signal(1)

    def client(self, login: Login | None, client_id: str) -> mqtt.Client:
        """Not connected yet; trusts the made authority alone."""
        made = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5)
        made.tls_set(str(self.secret("mqtt_ca")), tls_version=ssl.PROTOCOL_TLS_CLIENT)
        if login is not None:
            made.username_pw_set(login.username, login.password)
        return made

    def environment(self, service: str, registry_url: str, readings_url: str) -> dict[str, str]:
        """The service's own, its secrets as files here, its hosts on loopback."""
        found = {name: str(value) for name, value in OURS[service]["environment"].items()}
        for name, value in found.items():
            if value.startswith("/run/secrets/"):
                found[name] = str(self.secret(Path(value).name))
        self.secret("registry_url").write_text(registry_url, "utf-8")
        return found | {
            "TURNBELL_MQTT_HOST": "localhost",
            "TURNBELL_MQTT_PORT": str(self.port),
            "TURNBELL_READINGS_URL": readings_url,
        }


def script(folder: Path, name: str, *arguments: str) -> str:
    done = subprocess.run(
        [str(folder / name), *arguments], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@contextmanager
def composed(folder: Path) -> Iterator[Composed]:
    """In ``folder``, which must not be there yet."""
    shutil.copytree(FOLDER, folder, ignore=shutil.ignore_patterns("secrets"))
    script(folder, "make-secrets.sh")
    port, queue = free_port(), folder / "queue"
    queue.mkdir()
    text = (folder / "mosquitto.conf").read_text("utf-8")
    text = text.replace("listener 8883", f"listener {port} 127.0.0.1").replace("/mosquitto/data", str(queue))
    for name, secret in COMPOSE["secrets"].items():
        text = re.sub(rf"/run/secrets/{name}$", str(folder / secret["file"]), text, flags=re.MULTILINE)
    if os.geteuid() == 0:
        text += "user root\n"
    config = folder / "here.conf"
    config.write_text(text, "utf-8")
    program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    with (folder / "broker.log").open("wb") as log:
        process = subprocess.Popen([program, "-c", str(config)], stdout=log, stderr=log)
    try:
        until(
            lambda: b"running" in (folder / "broker.log").read_bytes() or process.poll() is not None,
            PATIENCE_S,
            "a broker",
        )
        assert process.poll() is None, (folder / "broker.log").read_text("utf-8", "replace")
        yield Composed(folder, port, process)
    finally:
        process.terminate()
        process.wait(PATIENCE_S)
