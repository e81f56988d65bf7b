"""Sessions for the pages: a token or the first-run key is exchanged for a cookie.

The cookie's text is kept nowhere: the registry holds its SHA-256, as it does for tokens.
"""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import Request
from fastapi.responses import Response

from api.auth import SESSION_COOKIE, TOKEN_PREFIX, create_token, digest_of, find_token, use_of
from api.auth_csrf import check_origin, csrf_token
from api.auth_slowdown import Slowdown
from api.parts import Parts
from api.problems import ProblemError
from shared.ports import Registry
from shared.times import DAY, SECOND, Millis

SESSION_MS = 30 * DAY
FIRST_RUN_MS = DAY


@dataclass(frozen=True, slots=True)
class Session:
    secret: str
    secure: bool  # the page came over https

    @property
    def csrf(self) -> str:
        return csrf_token(self.secret)

    def attach(self, response: Response) -> None:
        """Set the cookie."""
        response.set_cookie(
            SESSION_COOKIE,
            self.secret,
            max_age=SESSION_MS // SECOND,
            httponly=True,
            samesite="lax",
            secure=self.secure,
            path="/",
        )


def open_session(request: Request, key: str) -> Session:
    """Exchange ``key`` for a new session. ProblemError 401 when nobody knows the key, 429 after too many tries.

    Blocking: call it from a plain ``def`` route.
    """
    check_origin(request)
    slowdown: Slowdown = request.app.state.slowdown
    slowdown.check(request)
    parts: Parts = request.app.state.parts
    now = parts.clock.now()
    secret = _exchange(parts.registry, key.strip(), now)
    if secret is None:
        slowdown.failed(request)
        raise ProblemError(401, "This key is not known, was used before, or its time is over.")
    slowdown.succeeded(request)
    return Session(secret, request.url.scheme == "https")


def close_session(request: Request, response: Response) -> None:
    """End the session of this request and take the cookie back. Blocking."""
    parts: Parts = request.app.state.parts
    cookie = request.cookies.get(SESSION_COOKIE, "")
    session = find_token(parts.registry, cookie, "session", parts.clock.now()) if cookie else None
    if session is not None:
        parts.registry.access.revoke(session.id)
    response.delete_cookie(SESSION_COOKIE, path="/", httponly=True, samesite="lax")


def first_run_key(registry: Registry, now: Millis) -> str | None:
    """A key that opens one manager's session within a day; None once there is a manager's token.

    A key made before and not used is withdrawn.
    """
    held = registry.access.tokens()
    if any(use_of(token) in {"bearer", "session"} and token.role == "manager" for token in held):
        return None
    for token in held:
        if use_of(token) == "first_run":
            registry.access.revoke(token.id)
    return create_token(
        registry, "manager", "owner", now, expires_at=Millis(now + FIRST_RUN_MS), purpose={"use": "first_run"}
    )


def safe_path(onward: str | None) -> str:
    """Where to go after the door: a path of ours, never another site."""
    text = onward or ""
    plain = text.startswith("/") and not text.startswith("//") and text.isprintable() and "\\" not in text
    return text if plain else "/"


def _exchange(registry: Registry, key: str, now: Millis) -> str | None:
    if not key.startswith(TOKEN_PREFIX):
        return None
    with registry.begin() as tx:
        purpose = {"use": "session"}
        token = find_token(tx, key, "first_run", now)
        if token is not None:
            tx.access.revoke(token.id)
        else:
            token = find_token(tx, key, "bearer", now)
            if token is None:
                return None
            purpose["of"] = digest_of(key)
        _forget_the_old(tx, now)
        ends = Millis(now + SESSION_MS)
        if token.expires_at is not None and "of" in purpose:
            ends = min(ends, token.expires_at)
        return create_token(tx, token.role, token.name, now, expires_at=ends, purpose=purpose)


def _forget_the_old(tx: Registry, now: Millis) -> None:
    """Sessions and keys of the first start whose time is over; a bearer token's end stays to be seen."""
    for token in tx.access.tokens():
        if (
            use_of(token) in {"session", "first_run"}
            and token.expires_at is not None
            and token.expires_at <= now
        ):
            tx.access.revoke(token.id)
