"""The embedded broker: mosquitto when it is installed, else the broker from PyPI, as a child process.

mosquitto saves at every change as it is configured here (its own defaults would lose all of the last half hour). It
acknowledges a moment before it saves, so that a ``kill -9`` in that moment can still cost a message (DEVELOPERS.md). The broker from PyPI keeps its queue in memory only: what it holds is lost with it, so that
a real yard installs mosquitto. Both need no password on loopback; any other address wants credentials and mosquitto.
"""

from __future__ import annotations

import errno
import ipaddress
import json
import logging
import secrets
import shutil
import socket
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from pydantic import SecretStr

from ingest import broker_files
from shared.settings import Settings, SettingsError

log = logging.getLogger(__name__)

Kind = Literal["mosquitto", "pypi"]

_CHILD: Final = Path(__file__).with_name("broker_child.py")
_STARTS_WITHIN_S: Final = 15.0
_STOPS_WITHIN_S: Final = 8.0
_PAUSES_S: Final = (0.1, 0.5, 2.0, 5.0, 10.0)
_SYSTEM_PROGRAMS: Final = (
    "/usr/local/sbin:/usr/sbin:/sbin"  # where mosquitto lives, often outside a user's PATH
)


class BrokerError(OSError):
    """The embedded broker cannot run; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Login:
    username: str
    password: str


def find_mosquitto() -> str | None:
    return shutil.which("mosquitto") or shutil.which("mosquitto", path=_SYSTEM_PROGRAMS)


class EmbeddedBroker:
    """``start`` returns once it takes connections; from then on a broker that dies is started again."""

    def __init__(self, data_dir: Path, host: str, port: int, *, kind: Kind | None = None) -> None:
        """``port`` 0 = a free one. SettingsError when ``host`` is not loopback and nobody has been enrolled (or
        mosquitto, which knows passwords, is missing)."""
        self._program = find_mosquitto() if kind != "pypi" else None
        if kind == "mosquitto" and self._program is None:
            raise BrokerError("mosquitto is not installed; install it with the system's package manager")
        self.kind: Kind = "mosquitto" if self._program else "pypi"
        self._bind, self.port = host, port
        self._files = broker_files.BrokerFiles(data_dir / "broker")
        self.login: Login | None = None
        if not _is_loopback(host):
            self._want_credentials()
        self._process: subprocess.Popen[bytes] | None = None
        self._stopping = threading.Event()
        self._watch: threading.Thread | None = None
        self.restarts = 0

    @property
    def host(self) -> str:
        """Where a client on this machine reaches it."""
        return {"0.0.0.0": "127.0.0.1", "": "127.0.0.1", "::": "::1"}.get(self._bind, self._bind)  # noqa: S104 - read, not bound

    @property
    def alive(self) -> bool:
        return self._process is not None and self._process.poll() is None

    @property
    def pid_file(self) -> Path:
        """Where mosquitto leaves its process id."""
        return self._files.pid_file

    def seen_by(self, settings: Settings) -> Settings:
        """The same settings, with this broker's address and our login in them: what a client on this machine needs."""
        login = (
            {"username": self.login.username, "password": SecretStr(self.login.password)}
            if self.login
            else {}
        )
        mqtt = settings.mqtt.model_copy(
            update={"host": self.host, "port": self.port, "tls_ca": None, **login}
        )
        return settings.model_copy(update={"mqtt": mqtt})

    def start(self) -> None:
        """Raise BrokerError when the port is taken or the broker does not come up."""
        self.port = _free_port(self._bind, self.port)
        self._launch()
        self._watch = threading.Thread(target=self._keep, name="broker-watch", daemon=True)
        self._watch.start()
        log.info("broker=%s event=listening host=%s port=%s", self.kind, self._bind, self.port)

    def stop(self) -> None:
        """Let it save its queue and end. Safe to call twice, or without a start."""
        self._stopping.set()
        if self._watch is not None:
            self._watch.join(_STOPS_WITHIN_S)
        self._end()

    def _want_credentials(self) -> None:
        if self._program is None:
            raise SettingsError(
                "mqtt-host",
                f"{self._bind} is not loopback, and only mosquitto can ask for passwords; install mosquitto or use 127.0.0.1",
            )
        if not self._files.has_probes():
            raise SettingsError(
                "mqtt-host",
                f"{self._bind} is not loopback, and nobody has credentials; run `turnbell probe enrol PROBE` first or use 127.0.0.1",
            )
        self.login = Login(broker_files.INGEST_USER, secrets.token_urlsafe(24))

    def _launch(self) -> None:
        if self._program is not None:
            config = self._files.write_config(
                self._bind, self.port, self.login.password if self.login else None
            )
            options: dict[str, str | int] = {
                "kind": "mosquitto",
                "program": self._program,
                "config": str(config),
            }
        else:
            options = {"kind": "pypi", "host": self._bind, "port": self.port}
        self._files.folder.mkdir(parents=True, exist_ok=True)
        with self._files.log_file.open("wb") as said:
            self._process = subprocess.Popen(  # noqa: S603 - our own file beside this one
                [sys.executable, "-P", str(_CHILD), json.dumps(options)],
                stdin=subprocess.PIPE,
                stdout=said,
                stderr=said,
            )
        try:
            self._wait_until_it_listens()
        except BrokerError:
            self._end()
            raise

    def _wait_until_it_listens(self) -> None:
        deadline = time.monotonic() + _STARTS_WITHIN_S
        while time.monotonic() < deadline and not self._stopping.is_set():
            if self._process is None or self._process.poll() is not None:
                raise BrokerError(f"the broker ended at once: {self._files.last_words()}")
            if self._takes_connections():
                return
            time.sleep(0.02)
        raise BrokerError(f"the broker did not listen on {self._bind}:{self.port} in time")

    def _takes_connections(self) -> bool:
        try:
            with socket.create_connection((self.host, self.port), timeout=0.5):
                return self.kind == "mosquitto" or b"ready" in self._files.log_file.read_bytes()
        except OSError:
            return False

    def _keep(self) -> None:
        """Start it again whenever it dies."""
        tries = 0
        while not self._stopping.wait(0.05):
            if self.alive:
                continue
            if tries == 0:
                log.warning("broker=%s event=lost said=%r", self.kind, self._files.last_words())
            if self._stopping.wait(_PAUSES_S[min(tries, len(_PAUSES_S) - 1)]):
                return
            try:
                self._end()
                self._launch()
            except OSError as error:
                tries += 1
                if tries == 1:
                    log.warning("broker=%s event=not_back error=%s", self.kind, error)
            else:
                tries = 0
                self.restarts += 1
                log.info("broker=%s event=back", self.kind)

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        if process.stdin is not None:
            process.stdin.close()
        if process.poll() is None:
            process.terminate()
        try:
            process.wait(_STOPS_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _free_port(host: str, port: int) -> int:
    """The port itself, or a free one for 0; BrokerError when it cannot be had."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_STREAM) as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind((host, port))
            taken: int = trial.getsockname()[1]
            return taken
    except OSError as error:
        why = "the port is in use" if error.errno == errno.EADDRINUSE else str(error.strerror or error)
        raise BrokerError(
            f"the broker cannot listen on {host}:{port}: {why}; choose another with --mqtt-port"
        ) from error
