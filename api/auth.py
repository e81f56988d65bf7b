"""Who is at the door, and what they may do: bearer tokens, sessions, roles."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Annotated

from fastapi import Depends, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from api.auth_caller import Caller
from api.auth_csrf import check_csrf, check_origin
from api.auth_reach import Reach
from api.auth_slowdown import Slowdown, address_of
from api.auth_tokens import (
    TOKEN_PREFIX,
    account_of,
    create_token,
    digest_of,
    find_session,
    find_token,
    note_use,
    use_of,
)
from api.parts import Parts
from api.problems import ProblemError
from shared.people import Role, Token
from shared.ports import NotFound

__all__ = [
    "SESSION_COOKIE", "TOKEN_PREFIX", "Caller", "Helper", "HouseManager", "Manager", "Viewer", "admit", "create_token",
    "current", "digest_of", "find_token", "needs", "use_of",
]  # fmt: skip

SESSION_COOKIE = "tb_session"

_bearer = HTTPBearer(auto_error=False, description="`turnbell token create` prints one.")


async def current(
    request: Request,
    _documented: Annotated[HTTPAuthorizationCredentials | None, Depends(_bearer)],
) -> Caller | None:
    """The caller of this request, None without a key; a wrong key is a problem at once."""
    parts: Parts = request.app.state.parts
    scheme, _, secret = request.headers.get("authorization", "").partition(" ")
    if parts.open_door:
        if not scheme:
            check_origin(request)
        return Caller("manager", "demo", key="open door")
    if scheme:
        return await _bearer_caller(request, parts, scheme, secret.strip())
    cookie = request.cookies.get(SESSION_COOKIE)
    if not cookie:
        return None
    caller = await run_in_threadpool(_session_caller, parts, cookie)
    if caller is not None:
        await check_csrf(request, cookie)
    return caller


def admit(request: Request, caller: Caller, role: Role) -> None:
    """From here on the registry of this request reaches as far as ``caller`` does with ``role``."""
    parts: Parts = request.app.state.parts
    request.state.reach = Reach(caller, role, address_of(request), parts.clock.now)


def needs(role: Role, *, everywhere: bool = False) -> Callable[..., Awaitable[Caller]]:
    """A dependency: the caller, who holds at least ``role`` somewhere (``everywhere``: on every site); else 401 or 403.

    On which sites they hold it, the request's registry minds: see ``auth_reach``.
    """

    async def admitted(request: Request, caller: Annotated[Caller | None, Depends(current)]) -> Caller:
        if caller is None:
            raise ProblemError(
                401, "This needs a bearer token or a session.", headers={"WWW-Authenticate": "Bearer"}
            )
        if not caller.may(role):
            raise ProblemError(403, f"This needs the role {role}; you are a {caller.best}.")
        if everywhere and not caller.may_everywhere(role):
            raise ProblemError(403, f"This needs the role {role} on every site.")
        admit(request, caller, role)
        return caller

    return admitted


Viewer = Annotated[Caller, Depends(needs("viewer"))]
Helper = Annotated[Caller, Depends(needs("helper"))]
Manager = Annotated[Caller, Depends(needs("manager"))]
HouseManager = Annotated[Caller, Depends(needs("manager", everywhere=True))]
"""A route's parameter that admits only such callers."""


async def _bearer_caller(request: Request, parts: Parts, scheme: str, secret: str) -> Caller:
    token = None
    if scheme.lower() == "bearer" and secret:
        token = await run_in_threadpool(_bearer_token, parts, secret)
    if token is None:
        slowdown: Slowdown = request.app.state.slowdown
        slowdown.failed(request)
        slowdown.check(request)
        raise ProblemError(
            401,
            "This token is not known, or its time is over.",
            headers={"WWW-Authenticate": 'Bearer error="invalid_token"'},
        )
    return caller_of(token)


def _bearer_token(parts: Parts, secret: str) -> Token | None:
    now = parts.clock.now()
    token = find_token(parts.registry, secret, "bearer", now)
    if token is not None:
        note_use(parts.registry, token, now)
    return token


def _session_caller(parts: Parts, cookie: str) -> Caller | None:
    now = parts.clock.now()
    session = find_session(parts.registry, cookie, now, parts.settings.web.session_idle_ms)
    if session is None:
        return None
    account_id = account_of(session)
    caller = caller_of(session, cookie) if account_id is None else _account_caller(parts, account_id, cookie)
    if caller is not None:
        note_use(parts.registry, session, now)
    return caller


def caller_of(token: Token, cookie: str | None = None) -> Caller:
    """Whoever holds ``token``, which is for one site or for all."""
    kind = "token" if cookie is None else "session"
    everywhere = token.role if token.site is None else None
    sites = {} if token.site is None else {token.site: token.role}
    return Caller(everywhere, token.name, cookie, sites, f"{kind}:{token.id}")


def _account_caller(parts: Parts, account_id: str, cookie: str) -> Caller | None:
    """The account as it is now: what was taken away is gone at once."""
    try:
        account = parts.registry.accounts.get(account_id)
    except NotFound:
        return None
    if account.disabled_at is not None:
        return None
    return Caller(
        account.role, account.name, cookie, dict(account.site_roles), f"account:{account.id}", account.id
    )
