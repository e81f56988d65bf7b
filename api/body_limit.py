"""How much may be sent in one request, and how slowly."""

from __future__ import annotations

import asyncio

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MIB = 1024 * 1024
BODY_LIMIT = MIB
UPLOAD_LIMIT = 12 * MIB
PIECE_S, WHOLE_S = 30.0, 300.0  # until the next piece of a body, and until the last one
UPLOAD_TYPES = ("multipart/form-data", "image/", "text/csv")


class BodyLimit:
    """ASGI middleware: 413 as soon as the announced or the received body passes the limit of its media type, 408 when
    it comes too slowly."""

    def __init__(self, app: ASGIApp, piece_s: float = PIECE_S, whole_s: float = WHOLE_S) -> None:
        self.app, self._piece_s, self._whole_s = app, piece_s, whole_s

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
        whole = False
        ends = asyncio.get_running_loop().time() + self._whole_s

        async def in_time() -> Message:
            if whole:  # what comes now is the end of the connection, whenever that is
                return await receive()
            try:
                async with asyncio.timeout(min(self._piece_s, ends - asyncio.get_running_loop().time())):
                    return await receive()
            except TimeoutError:
                raise HTTPException(408, "The request came too slowly.") from None

        async def receive_within_limit() -> Message:
            nonlocal received, whole
            message = await in_time()
            if message["type"] == "http.request":
                received += len(message.get("body", b""))
                whole = not message.get("more_body", False)
            if too_large or received > limit:
                raise HTTPException(413, f"A request of this kind may carry at most {limit // MIB} MiB.")
            return message

        await self.app(scope, receive_within_limit, send)
