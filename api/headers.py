"""Security headers on every answer."""

from __future__ import annotations

import secrets

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_FIXED = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), payment=(), usb=()",
}


def security_headers(nonce: str) -> dict[str, str]:
    """Scripts run that carry this answer's ``nonce``, and what those load; nothing that stands inline in a page does."""
    policy = (
        f"default-src 'self'; script-src 'self' 'nonce-{nonce}' 'strict-dynamic'; script-src-attr 'none'; "
        "style-src 'self'; img-src 'self' data: blob:; worker-src 'self'; manifest-src 'self'; connect-src 'self'; "
        "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    )
    return {"Content-Security-Policy": policy, **_FIXED}


def nonce_of(scope: Scope) -> str:
    """Of this request; made when it is first asked for."""
    state = scope.setdefault("state", {})
    if "nonce" not in state:
        state["nonce"] = secrets.token_urlsafe(18)
    return str(state["nonce"])


class SecurityHeaders:
    """ASGI middleware. Only what is under /static may be kept by a cache, unless the route says so itself."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        keep = scope["path"].startswith("/static/")
        always = security_headers(nonce_of(scope))

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in always.items():
                    headers.setdefault(name, value)
                if not keep:
                    headers.setdefault("Cache-Control", "no-store")
                if scope["scheme"] == "https":
                    headers.setdefault("Strict-Transport-Security", "max-age=31536000")
            await send(message)

        await self.app(scope, receive, send_with_headers)
