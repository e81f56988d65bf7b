"""The web server: a socket bound before anything starts, a clean end on SIGTERM."""

from __future__ import annotations

import contextlib
import resource
import signal
import socket
import threading
from collections.abc import Iterator, Sequence
from types import FrameType

import uvicorn
from fastapi import FastAPI

from deploy.errors import SurroundingsError
from deploy.web_patience import Patience, patient


def bind(host: str, port: int) -> socket.socket:
    """Take the address now; SurroundingsError in one line when it cannot be had."""
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
    except socket.gaierror as error:
        raise SurroundingsError(f"cannot use the address {host}: {error.strerror}") from error
    # the protocol is named because asyncio sends small answers at once (TCP_NODELAY) only on sockets that name it
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(256)
    except OSError as error:
        listener.close()
        raise SurroundingsError(
            f"cannot listen on {host}:{port}: {error.strerror}; is it in use? choose another with --port"
        ) from error
    return listener


def address_of(listener: socket.socket) -> str:
    host, port = listener.getsockname()[:2]
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


def address_for_people(listener: socket.socket) -> str:
    """Where all addresses of this machine are listened at, its name stands for them: that one opens elsewhere too."""
    host, port = listener.getsockname()[:2]
    return f"http://{socket.gethostname()}:{port}/" if host in {"0.0.0.0", "::"} else address_of(listener)  # noqa: S104


MOST_AT_ONCE = 1000
_FILES = 4096  # a connection is an open file; many systems begin with 1024


class WebServer:
    """Serve ``app`` on ``listener`` in a thread until ``stop``."""

    def __init__(
        self,
        app: FastAPI,
        listener: socket.socket,
        trusted_proxies: Sequence[str] = (),
        patience: Patience | None = None,
    ) -> None:
        config = uvicorn.Config(
            app,
            http=patient(patience or Patience(trusted=tuple(trusted_proxies))),
            proxy_headers=bool(trusted_proxies),
            forwarded_allow_ips=list(trusted_proxies),
            log_level="warning",
            access_log=False,
            server_header=False,
            timeout_keep_alive=15,
            timeout_graceful_shutdown=5,
            limit_concurrency=MOST_AT_ONCE,
        )
        self._server = _QuietServer(config)
        self._listener = listener
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)

    def start(self) -> None:
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        wanted = _FILES if hard == resource.RLIM_INFINITY else min(_FILES, hard)
        if soft != resource.RLIM_INFINITY and soft < wanted:
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
        self._thread.start()

    def stop(self) -> None:
        self._server.should_exit = True
        self._thread.join(10.0)

    @property
    def alive(self) -> bool:
        return self._thread.is_alive() and self._server.started

    def _run(self) -> None:
        self._server.run(sockets=[self._listener])


class _QuietServer(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Signals belong to the command, which drains the loops before it exits."""
        yield


def wait_for_a_signal() -> None:
    """Block until SIGTERM or SIGINT."""
    asked = threading.Event()

    def ask(_signal: int, _frame: FrameType | None) -> None:
        asked.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, ask)
    while not asked.wait(0.5):
        pass
