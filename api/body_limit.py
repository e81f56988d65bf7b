"""How much may be sent in one request."""

from __future__ import annotations

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MIB = 1024 * 1024
BODY_LIMIT = MIB
UPLOAD_LIMIT = 12 * MIB
UPLOAD_TYPES = ("multipart/form-data", "image/", "text/csv")


class BodyLimit:
    """ASGI middleware: 413 as soon as the announced or the received body passes the limit of its media type."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        limit = UPLOAD_LIMIT if headers.get("content-type", "").startswith(UPLOAD_TYPES) else BODY_LIMIT
        announced = headers.get("content-length", "0")
        received = int(announced) if announced.isdecimal() and len(announced) < 16 else 0
        too_large = received > limit or len(announced) >= 16
        received = 0

        async def receive_within_limit() -> Message:
            nonlocal received
            message = await receive()
            if message["type"] == "http.request":
                received += len(message.get("body", b""))
            if too_large or received > limit:
                raise HTTPException(413, f"A request of this kind may carry at most {limit // MIB} MiB.")
            return message

        await self.app(scope, receive_within_limit, send)
