"""Servers on loopback that keep what they get, and servers that misbehave. Each stands on a port of the system's choice
and ends with its ``with`` block."""

from __future__ import annotations

import contextlib
import ssl
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session

from tests.ports import free_port

TLS = Path(__file__).with_name("tls")
AUTHORITY = TLS / "ca.pem"


def server_tls() -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(TLS / "server.pem", TLS / "server.key")
    return context


# -- HTTP


@dataclass
class Got:
    method: str
    path: str
    headers: Mapping[str, str]
    body: bytes


@dataclass
class Answer:
    status: int = 204
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""


@dataclass
class HttpSink:
    """``answer`` may be changed at any time; it is asked for every request."""

    answer: Callable[[Got], Answer] = lambda _got: Answer()
    got: list[Got] = field(default_factory=list)
    port: int = 0
    tls: bool = False

    @property
    def url(self) -> str:
        return f"{'https' if self.tls else 'http'}://localhost:{self.port}"

    @property
    def keys(self) -> list[str]:
        return [got.headers["idempotency-key"] for got in self.got]


@contextlib.contextmanager
def http_sink(*, tls: bool = False, port: int = 0) -> Iterator[HttpSink]:
    sink = HttpSink(tls=tls)

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        disable_nagle_algorithm = True  # else every answer waits 40 ms between head and body

        def do_POST(self) -> None:
            length = int(self.headers.get("Content-Length") or 0)
            lowered = {name.lower(): value for name, value in self.headers.items()}
            body = self.rfile.read(length)
            if len(body) < length:  # the sender was killed in the middle of its request: nothing has arrived
                self.close_connection = True
                return
            got = Got(self.command, self.path, lowered, body)
            sink.got.append(got)
            answer = sink.answer(got)
            self.send_response(answer.status)
            for name, value in answer.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(answer.body)))
            with contextlib.suppress(ConnectionError):  # the sender was killed before it heard the answer
                self.end_headers()
                self.wfile.write(answer.body)

        do_GET = do_POST  # noqa: N815 - the name is the library's

        def log_message(self, *_: Any) -> None:
            pass

    class Server(ThreadingHTTPServer):
        daemon_threads = True
        request_queue_size = 128

    server = Server(("127.0.0.1", port), Handler)
    if tls:
        server.socket = server_tls().wrap_socket(server.socket, server_side=True)
    sink.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield sink
    finally:
        server.shutdown()
        server.server_close()
        thread.join(5.0)


# -- SMTP


@dataclass
class Letter:
    sender: str
    to: tuple[str, ...]
    content: bytes
    over_tls: bool
    signed_in: bool


@dataclass
class SmtpSink:
    """``at`` gives the reply to RCPT or DATA, "" = accept."""

    port: int = 0
    only_tls: bool = False
    letters: list[Letter] = field(default_factory=list)
    at: Mapping[str, str] = field(default_factory=dict)

    async def handle_RCPT(  # noqa: N802 - the server's name
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        if self.at.get("RCPT"):
            return self.at["RCPT"]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_MAIL(  # noqa: N802 - the server's name
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        if self.at.get("MAIL"):
            return self.at["MAIL"]
        envelope.mail_from = address
        return "250 OK"

    async def handle_DATA(self, _server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        reply = self.at.get("DATA", "")
        if not reply or reply.startswith("250"):
            content = envelope.content if isinstance(envelope.content, bytes) else b""
            self.letters.append(
                Letter(
                    envelope.mail_from or "",
                    tuple(envelope.rcpt_tos),
                    content,
                    session.ssl is not None or self.only_tls,
                    bool(session.authenticated),
                )
            )
        return reply or "250 kept"


@contextlib.contextmanager
def smtp_sink(
    *, tls: str = "none", password: str | None = None, port: int = 0, at: Mapping[str, str] | None = None
) -> Iterator[SmtpSink]:
    """``tls``: none, starttls, tls. With a ``password`` nobody gets in without it."""
    sink = SmtpSink(only_tls=tls == "tls", at=at or {})

    def sign_in(
        _server: SMTP, _session: Session, _envelope: Envelope, mechanism: str, data: Any
    ) -> AuthResult:
        given = getattr(data, "password", b"").decode()
        return AuthResult(success=mechanism in {"LOGIN", "PLAIN"} and given == password, handled=False)

    how: dict[str, Any] = {}
    if tls == "starttls":
        how |= {"tls_context": server_tls(), "require_starttls": True}
    if tls == "tls":
        how["ssl_context"] = server_tls()
    if password is not None:
        how |= {"authenticator": sign_in, "auth_required": True, "auth_require_tls": False}
    controller = Controller(sink, hostname="127.0.0.1", port=port or free_port(), ready_timeout=10.0, **how)
    controller.start()
    sink.port = controller.port
    try:
        yield sink
    finally:
        controller.stop()


# -- servers that misbehave, whatever is spoken to them
