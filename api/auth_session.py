"""Sessions for the pages: a password, a token or a one-time key is exchanged for a cookie.

The cookie's text is kept nowhere: the registry holds its SHA-256, as it does for tokens. Every entry makes a new one
and ends the one that the browser came with, so a planted cookie is worth nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from fastapi import Request
from fastapi.responses import Response

from api.auth import SESSION_COOKIE
from api.auth_csrf import check_origin, csrf_token
from api.auth_slowdown import Slowdown, address_of
from api.auth_tokens import TOKEN_PREFIX, account_of, create_token, digest_of, expired, find_token, use_of
from api.parts import Parts
from api.problems import ProblemError
from shared.accounts import Account
from shared.audit import Deed
from shared.people import Token
from shared.ports import Registry
from shared.times import DAY, SECOND, Millis

FIRST_RUN_MS = DAY
_AGENT_LENGTH = 120


@dataclass(frozen=True, slots=True)
class Session:
    secret: str
    secure: bool  # the page came over https
    lasts_s: int = 30 * DAY // SECOND

    @property
    def csrf(self) -> str:
        return csrf_token(self.secret)

    def attach(self, response: Response) -> None:
        """Set the cookie."""
        response.set_cookie(
            SESSION_COOKIE,
            self.secret,
            max_age=self.lasts_s,
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
    with parts.registry.begin() as tx:
        session = _exchange(request, tx, key.strip())
    if session is None:
        slowdown.failed(request)
        raise ProblemError(401, "This key is not known, was used before, or its time is over.")
    slowdown.succeeded(request)
    return session


def session_of_account(request: Request, tx: Registry, account: Account, how: str) -> Session:
    """A new session of ``account``; the caller has made sure who it is, inside this transaction."""
    parts: Parts = request.app.state.parts
    now = parts.clock.now()
    tx.accounts.change(account.id, last_login_at=now)
    tx.audit.append(
        Deed(now, account.name, f"account:{account.id}", "session.opened", account.login, None, address_of(request), {"how": how})
    )  # fmt: skip
    token = Token("", account.name, account.role or "viewer", now, "")
    return _new_session(request, tx, token, {"account": account.id}, None)


def close_session(request: Request, response: Response) -> None:
    """End the session of this request and take the cookie back. Blocking."""
    parts: Parts = request.app.state.parts
    end_this_session(request, parts.registry)
    response.delete_cookie(SESSION_COOKIE, path="/", httponly=True, samesite="lax")


def end_this_session(request: Request, registry: Registry) -> None:
    """Whatever session the browser came with is over."""
    parts: Parts = request.app.state.parts
    cookie = request.cookies.get(SESSION_COOKIE, "")
    session = find_token(registry, cookie, "session", parts.clock.now()) if cookie else None
    if session is not None:
        registry.access.revoke(session.id)


def end_sessions(tx: Registry, whose: Callable[[Token], bool]) -> int:
    """End every session that ``whose`` says; gives how many."""
    ended = [token for token in tx.access.tokens() if use_of(token) == "session" and whose(token)]
    for token in ended:
        tx.access.revoke(token.id)
    return len(ended)


def first_run_key(registry: Registry, now: Millis) -> str | None:
    """A key that makes the owner's account, or opens one manager's session, within a day; None once there is a
    manager's account, token or session.

    A key made before and not used is withdrawn.
    """
    if any(account.everywhere_manager for account in registry.accounts.all()):
        return None
    held = registry.access.tokens()
    if any(_is_managers(token) for token in held):
        return None
    for token in held:
        if use_of(token) == "first_run":
            registry.access.revoke(token.id)
    return create_token(
        registry, "manager", "owner", now, expires_at=Millis(now + FIRST_RUN_MS), purpose={"use": "first_run"}
    )


def _is_managers(token: Token) -> bool:
    key = use_of(token) in {"bearer", "session"} and account_of(token) is None
    return key and token.role == "manager" and token.site is None


def safe_path(onward: str | None) -> str:
    """Where to go after the door: a path of ours, never another site."""
    text = onward or ""
    plain = text.startswith("/") and not text.startswith("//") and text.isprintable() and "\\" not in text
    return text if plain else "/"


def _exchange(request: Request, tx: Registry, key: str) -> Session | None:
    parts: Parts = request.app.state.parts
    now = parts.clock.now()
    if not key.startswith(TOKEN_PREFIX):
        return None
    token = find_token(tx, key, "first_run", now)
    opened_with = None
    if token is not None:
        tx.access.revoke(token.id)
    else:
        token = find_token(tx, key, "bearer", now)
        if token is None:
            return None
        opened_with = token
    tx.audit.append(
        Deed(now, token.name, f"token:{token.id}", "session.opened", token.id, token.site, address_of(request), {"how": "key"})
    )  # fmt: skip
    return _new_session(request, tx, token, {}, opened_with)


def _new_session(
    request: Request, tx: Registry, holder: Token, more: dict[str, str], opened_with: Token | None
) -> Session:
    parts: Parts = request.app.state.parts
    now = parts.clock.now()
    _forget_the_old(tx, now, parts.settings.web.session_idle_ms)
    end_this_session(request, tx)
    purpose = {"use": "session", "from": address_of(request), **more}
    purpose["agent"] = "".join(
        mark for mark in request.headers.get("user-agent", "")[:_AGENT_LENGTH] if mark.isprintable()
    )
    ends = Millis(now + parts.settings.web.session_ms)
    if opened_with is not None:
        purpose["of"] = opened_with.digest
        ends = ends if opened_with.expires_at is None else min(ends, opened_with.expires_at)
    secret = create_token(
        tx, holder.role, holder.name, now, expires_at=ends, purpose=purpose, site=holder.site
    )
    return Session(secret, request.url.scheme == "https", (ends - now) // SECOND)


def _forget_the_old(tx: Registry, now: Millis, idle_ms: int) -> None:
    """Sessions and one-time keys whose time is over; a bearer token's end stays to be seen."""
    for token in tx.access.tokens():
        use = use_of(token)
        idle = use == "session" and now - (token.last_used_at or token.created_at) >= idle_ms
        if use != "bearer" and use and (idle or expired(token, now)):
            tx.access.revoke(token.id)


def is_key_of(cookie: str, token: Token) -> bool:
    """Whether ``token`` is the session of that cookie."""
    return token.digest == digest_of(cookie)
