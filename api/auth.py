"""Who is at the door, and what they may do: bearer tokens, sessions, roles."""

from __future__ import annotations

import hashlib
import logging
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Annotated, Literal, get_args

from fastapi import Depends, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from api.auth_csrf import check_csrf, check_origin
from api.auth_slowdown import Slowdown
from api.parts import Parts, parts_of
from api.problems import ProblemError
from shared.ids import new_id
from shared.people import Role, Token, role_allows
from shared.ports import Registry, StorageError
from shared.times import MINUTE, Millis

log = logging.getLogger(__name__)

TOKEN_PREFIX = "tb_"  # noqa: S105 - what every token begins with, so that a leaked one is recognised
SESSION_COOKIE = "tb_session"
Use = Literal["bearer", "session", "first_run"]
"""bearer = a token of the Authorization header; session = a cookie; first_run = a key that opens one session."""

_bearer = HTTPBearer(auto_error=False, description="`turnbell token create` prints one.")


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks. ``session`` is the cookie's secret, None without a session."""

    role: Role
    name: str
    session: str | None = None

    def may(self, role: Role) -> bool:
        return role_allows(self.role, role)


def digest_of(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def create_token(
    registry: Registry,
    role: Role,
    name: str,
    now: Millis,
    *,
    expires_at: Millis | None = None,
    purpose: dict[str, str] | None = None,
) -> str:
    """Make a token and give its text, which is kept nowhere: the registry holds its SHA-256 alone."""
    secret = TOKEN_PREFIX + secrets.token_urlsafe(32)
    registry.access.add_token(
        Token(
            id=new_id(now),
            name=name,
            role=role,
            created_at=now,
            digest=digest_of(secret),
            expires_at=expires_at,
            purpose=purpose,
        )
    )
    return secret


def use_of(token: Token) -> str:
    """What it may be used for; "" for a purpose that is none of the door's."""
    use = "bearer" if token.purpose is None else token.purpose.get("use")
    return str(use) if use in get_args(Use) else ""


def find_token(registry: Registry, secret: str, use: Use, now: Millis) -> Token | None:
    """The token of that text, if it may be used in that way now.

    A token for one site alone is refused: roles per site are not there yet, and it must not open the others.
    """
    token = registry.access.token_by_digest(digest_of(secret))
    if token is None or use_of(token) != use or token.site is not None:
        return None
    return None if _expired(token, now) else token


def find_bearer(registry: Registry, secret: str, now: Millis) -> Token | None:
    return find_token(registry, secret, "bearer", now)


def find_session(registry: Registry, cookie: str, now: Millis) -> Token | None:
    """The session of that cookie; it ends with the token that opened it."""
    session = find_token(registry, cookie, "session", now)
    if session is None:
        return None
    opened_with = str((session.purpose or {}).get("of", ""))
    if not opened_with:
        return session
    parent = registry.access.token_by_digest(opened_with)
    return None if parent is None or _expired(parent, now) else session


async def current(
    request: Request,
    parts: Annotated[Parts, Depends(parts_of)],
    _documented: Annotated[HTTPAuthorizationCredentials | None, Depends(_bearer)],
) -> Caller | None:
    """The caller of this request, None without a key; a wrong key is a problem at once."""
    scheme, _, secret = request.headers.get("authorization", "").partition(" ")
    if parts.open_door:
        if not scheme:
            check_origin(request)
        return Caller("manager", "demo")
    if scheme:
        return await _bearer_caller(request, parts, scheme, secret.strip())
    cookie = request.cookies.get(SESSION_COOKIE)
    if not cookie:
        return None
    session = await run_in_threadpool(_found, find_session, parts, cookie)
    if session is None:
        return None
    await check_csrf(request, cookie)
    return Caller(session.role, session.name, cookie)


def needs(role: Role) -> Callable[..., Awaitable[Caller]]:
    """A dependency: the caller, who holds at least ``role``; else 401 or 403."""

    async def admitted(caller: Annotated[Caller | None, Depends(current)]) -> Caller:
        if caller is None:
            raise ProblemError(
                401, "This needs a bearer token or a session.", headers={"WWW-Authenticate": "Bearer"}
            )
        if not caller.may(role):
            raise ProblemError(403, f"This needs the role {role}; you are a {caller.role}.")
        return caller

    return admitted


Viewer = Annotated[Caller, Depends(needs("viewer"))]
Helper = Annotated[Caller, Depends(needs("helper"))]
Manager = Annotated[Caller, Depends(needs("manager"))]
"""A route's parameter that admits only such callers."""


async def _bearer_caller(request: Request, parts: Parts, scheme: str, secret: str) -> Caller:
    token = None
    if scheme.lower() == "bearer" and secret:
        token = await run_in_threadpool(_found, find_bearer, parts, secret)
    if token is None:
        slowdown: Slowdown = request.app.state.slowdown
        slowdown.failed(request)
        slowdown.check(request)
        raise ProblemError(
            401,
            "This token is not known, or its time is over.",
            headers={"WWW-Authenticate": 'Bearer error="invalid_token"'},
        )
    return Caller(token.role, token.name)


def _found(find: Callable[[Registry, str, Millis], Token | None], parts: Parts, secret: str) -> Token | None:
    """What ``find`` gives, its use noted once a minute; that it could not be noted stops nobody."""
    now = parts.clock.now()
    token = find(parts.registry, secret, now)
    if token is None or (token.last_used_at is not None and now - token.last_used_at < MINUTE):
        return token
    try:
        parts.registry.access.touch(token.id, now)
    except StorageError as error:
        log.debug("event=token_use_not_noted token=%s error=%s", token.id, error)
    return token


def _expired(token: Token, now: Millis) -> bool:
    return token.expires_at is not None and now >= token.expires_at
