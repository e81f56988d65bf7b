"""How many changes one address may make."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from threading import Lock

from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from api.auth_csrf import SAFE_METHODS
from api.auth_slowdown import address_of
from api.problems import ProblemError, answer

ADDRESSES = 10_000  # the ones that were quiet longest are forgotten first


class WriteLimit:
    """ASGI middleware: 429 with Retry-After once an address has used up its minute's changes; they come back steadily."""

    def __init__(self, app: ASGIApp, a_minute: int, monotonic: Callable[[], float] = time.monotonic) -> None:
        self.app, self._most, self._monotonic = app, float(a_minute), monotonic
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = Lock()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["method"] not in SAFE_METHODS:
            request = Request(scope)
            wait_s = self.take(address_of(request))
            if wait_s > 0:
                seconds = str(int(wait_s) + 1)
                refusal = ProblemError(
                    429,
                    f"Too many changes from your address. Try again in {seconds} s.",
                    headers={"Retry-After": seconds},
                )
                await answer(request, refusal)(scope, receive, send)
                return
        await self.app(scope, receive, send)

    def take(self, address: str) -> float:
        """0 when one more is allowed now, else in how many seconds."""
        now = self._monotonic()
        with self._lock:
            left, at = self._left.pop(address, (self._most, now))
            left = min(self._most, left + (now - at) * self._most / 60)
            self._left[address] = (max(0.0, left - 1) if left >= 1 else left, now)
            if len(self._left) > ADDRESSES:
                self._left.popitem(last=False)
        return 0.0 if left >= 1 else (1 - left) * 60 / self._most
