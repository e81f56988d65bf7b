"""The demo's post office: a real SMTP server on loopback, and the page that shows what it was handed."""

from __future__ import annotations

import asyncio
import email
import email.policy
import socket
import threading
from collections import deque
from dataclasses import dataclass
from email.message import EmailMessage
from typing import Self

from aiosmtpd.smtp import SMTP, Envelope, Session
from fastapi import FastAPI
from fastapi.responses import HTMLResponse, Response

from api.pages.view import AnyView
from shared.settings import Settings

KEPT = 200


@dataclass(frozen=True)
class Letter:
    number: int
    to: str
    subject: str
    date: str
    text: str
    picture: bytes | None


class Inbox:
    """``with Inbox() as inbox``: the server runs; ``settings`` point at it; ``add_to_app`` adds the page."""

    def __init__(self) -> None:
        self._letters: deque[Letter] = deque(maxlen=KEPT)
        self._count = 0
        self._lock = threading.Lock()
        self._socket = socket.create_server(("127.0.0.1", 0))
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._serve, name="inbox", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5.0)

    def _serve(self) -> None:
        asyncio.set_event_loop(self._loop)
        server = self._loop.run_until_complete(
            self._loop.create_server(lambda: SMTP(self, loop=self._loop), sock=self._socket)
        )
        self._loop.run_forever()
        server.close()
        self._loop.run_until_complete(server.wait_closed())
        self._loop.close()

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802 - the server's name
        content = envelope.content if isinstance(envelope.content, bytes) else b""
        message = email.message_from_bytes(content, policy=email.policy.default)
        with self._lock:
            self._count += 1
            self._letters.appendleft(_letter(self._count, message, ", ".join(envelope.rcpt_tos)))
        return "250 kept"

    def settings(self, base: Settings) -> Settings:
        host, port = self._socket.getsockname()[:2]
        mail = base.email.model_copy(
            update={"host": host, "port": port, "tls": "none", "from_": "turnbell@larkfield.example"}
        )
        return base.model_copy(update={"email": mail})

    def letters(self) -> list[Letter]:
        """Newest first."""
        with self._lock:
            return list(self._letters)

    def add_to_app(self, app: FastAPI) -> None:
        def inbox_page(view: AnyView) -> HTMLResponse:
            return view.page("demo_inbox.html", letters=self.letters())

        def picture(number: int) -> Response:
            found = next((letter for letter in self.letters() if letter.number == number), None)
            if found is None or found.picture is None:
                return Response(status_code=404)
            return Response(found.picture, media_type="image/png")

        app.state.inbox = "/inbox"  # the pages link to it
        app.add_api_route("/inbox", inbox_page, include_in_schema=False, response_class=HTMLResponse)
        app.add_api_route(
            "/inbox/{number}.png",
            picture,
            include_in_schema=False,
            response_class=Response,
            response_model=None,
        )


def _letter(number: int, message: EmailMessage, to: str) -> Letter:
    plain = message.get_body(("plain",))
    text = plain.get_content() if plain is not None else ""
    picture = next((part for part in message.walk() if part.get_content_type() == "image/png"), None)
    data = picture.get_payload(decode=True) if picture is not None else None
    return Letter(
        number,
        to,
        str(message["Subject"] or ""),
        str(message["Date"] or ""),
        text.strip(),
        data if isinstance(data, bytes) else None,
    )
