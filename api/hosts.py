"""Under which names the service answers."""

from __future__ import annotations

from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from api.problems import ProblemError, answer
from shared.settings import Settings


class KnownHosts:
    """ASGI middleware. With [web] public_url set, a Host that is neither that name, nor an address, nor a name of
    the local network is refused (421), so that no foreign name can be pointed at the service. Without it, any goes.
    """

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        self.app = app
        self._public = urlsplit(settings.web.public_url or "").hostname

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and self._public is not None:
            host = Headers(scope=scope).get("host", "")
            if not self._known(host):
                refusal = ProblemError(
                    421, "The service does not answer under this name; see [web] public_url."
                )
                await answer(Request(scope), refusal)(scope, receive, send)
                return
        await self.app(scope, receive, send)

    def _known(self, host: str) -> bool:
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        return (
            name == self._public or _is_address(name) or "." not in name or name.endswith((".local", ".lan"))
        )


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True
