"""Real processes and real servers on loopback for the end-to-end tests; started and stopped here, by process id."""

from __future__ import annotations

import contextlib
import email
import email.policy
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Self, TypeVar

import httpx
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from tests import loopback
from tests.ports import free_port

Found = TypeVar("Found")


def until(look: Callable[[], Found | None], patience_s: float, what: str) -> Found:
    """Look again and again until there is something; fail with ``what`` after ``patience_s``."""
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline:
        found = look()
        if found:
            return found
        time.sleep(0.05)
    raise AssertionError(f"waited {patience_s:g} s in vain for {what}")


@dataclass
class Running:
    """One `turnbell` process and where it listens."""

    process: subprocess.Popen[str]
    lines: list[str] = field(default_factory=list)
    web: str = ""
    mqtt_host: str = ""
    mqtt_port: int = 0

    def output(self) -> str:
        return "".join(self.lines)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(10)

    def stop(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(30)


def turnbell(
    *arguments: str, environment: Mapping[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    return subprocess.run(
        [sys.executable, "-m", "deploy", *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={**os.environ, **(environment or {})},
    )


@contextlib.contextmanager
def serving(data: Path, *more: str, path: str | None = None, config: Path | None = None) -> Iterator[Running]:
    """`turnbell serve` on free ports; ready when /healthz answers 200. ``path`` replaces PATH (to hide mosquitto)."""
    command = [
        sys.executable,
        "-m",
        "deploy",
        "serve",
        "--data",
        str(data),
        "--port",
        "0",
        "--mqtt-port",
        "0",
        *more,
    ]
    if config is not None:
        command += ["--config", str(config)]
    with started(command, path=path) as running:
        find_addresses(running)
        until(lambda: healthy(running.web), 40, f"a healthy service; it said: {running.output()}")
        yield running


@contextlib.contextmanager
def started(command: list[str], *, path: str | None = None) -> Iterator[Running]:
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    if path is not None:
        environment["PATH"] = path
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment
    )
    running = Running(process)
    reader = threading.Thread(target=_drain, args=(running,), daemon=True)
    reader.start()
    try:
        yield running
    finally:
        if process.poll() is None:
            process.kill()
            process.wait(10)
        reader.join(5)
        if process.stdout is not None:
            process.stdout.close()


def _drain(running: Running) -> None:
    for line in iter(running.process.stdout.readline, "") if running.process.stdout else ():
        running.lines.append(line)


def find_addresses(running: Running, patience_s: float = 60.0) -> None:
    def look() -> bool:
        if running.process.poll() is not None:
            raise AssertionError(f"it ended with {running.process.returncode}: {running.output()}")
        web = re.search(r"(http://\S+?:\d+/)", running.output())
        mqtt = re.search(r"(\d+\.\d+\.\d+\.\d+) port (\d+)", running.output())
        if web and mqtt:
            running.web, running.mqtt_host, running.mqtt_port = web[1], mqtt[1], int(mqtt[2])
        return bool(web and mqtt)

    until(look, patience_s, f"the addresses; it said: {running.output()}")


def healthy(web: str) -> bool:
    try:
        return loopback.get(f"{web}healthz", timeout=2).status_code == 200
    except httpx.HTTPError:
        return False


@contextlib.contextmanager
def api_of(running: Running, data: Path) -> Iterator[httpx.Client]:
    """The JSON API as a manager."""
    made = turnbell("token", "create", "--data", str(data), "--role", "manager")
    assert made.returncode == 0, made.stderr
    headers = {"Authorization": f"Bearer {made.stdout.strip().splitlines()[-1]}"}
    with httpx.Client(
        base_url=f"{running.web}api/v1", headers=headers, timeout=20, verify=loopback.NO_AUTHORITIES
    ) as client:
        yield client


class MailSink:
    """A real SMTP server that keeps what it is handed."""

    def __init__(self) -> None:
        self.messages: list[EmailMessage] = []
        self.port = free_port()
        self._controller = Controller(self, hostname="127.0.0.1", port=self.port)

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802
        content = envelope.content if isinstance(envelope.content, bytes) else b""
        message = email.message_from_bytes(content, policy=email.policy.default)
        assert isinstance(message, EmailMessage)
        self.messages.append(message)
        return "250 kept"

    def __enter__(self) -> Self:
        self._controller.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._controller.stop()


@dataclass
class Posted:
    headers: Mapping[str, str]
    body: bytes
    at: float = field(default_factory=time.time)  # wall seconds

    @property
    def json(self) -> dict[str, Any]:
        value: dict[str, Any] = json.loads(self.body)
        return value


class HookSink:
    """A real HTTP server that keeps what is posted to it and answers ``status``."""

    def __init__(self) -> None:
        self.posts: list[Posted] = []
        self.status = 204
        sink = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", "0")))
                sink.posts.append(Posted(dict(self.headers.items()), body))
                self.send_response(sink.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the server's name
                del format, args

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_port}/hook"

    def __enter__(self) -> Self:
        threading.Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
