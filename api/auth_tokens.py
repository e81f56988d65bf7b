"""Keys: bearer tokens, sessions, one-time links. The registry holds the SHA-256 of each and nothing else."""

from __future__ import annotations

import hashlib
import logging
import secrets
from typing import Any, Literal, get_args

from shared.ids import new_id
from shared.people import Role, Token
from shared.ports import Registry, StorageError
from shared.times import MINUTE, Millis

log = logging.getLogger(__name__)

TOKEN_PREFIX = "tb_"  # noqa: S105 - what every token begins with, so that a leaked one is recognised
Use = Literal["bearer", "session", "first_run", "invite", "second"]
"""bearer = a token of the Authorization header; session = a cookie; first_run, invite = a one-time link that makes an
account; second = a password was right, the code of the second factor is still to come."""


def digest_of(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def create_token(
    registry: Registry,
    role: Role,
    name: str,
    now: Millis,
    *,
    expires_at: Millis | None = None,
    purpose: dict[str, Any] | None = None,
    site: str | None = None,
) -> str:
    """Make a token and give its text, which is kept nowhere."""
    secret = TOKEN_PREFIX + secrets.token_urlsafe(32)
    registry.access.add_token(
        Token(
            id=new_id(now),
            name=name,
            role=role,
            created_at=now,
            digest=digest_of(secret),
            expires_at=expires_at,
            site=site,
            purpose=purpose,
        )
    )
    return secret


def use_of(token: Token) -> str:
    """What it may be used for; "" for a purpose that is none of the door's."""
    use = "bearer" if token.purpose is None else token.purpose.get("use")
    return str(use) if use in get_args(Use) else ""


def account_of(token: Token) -> str | None:
    held = (token.purpose or {}).get("account")
    return None if held is None else str(held)


def find_token(registry: Registry, secret: str, use: Use, now: Millis) -> Token | None:
    """The token of that text, if it may be used in that way now."""
    token = registry.access.token_by_digest(digest_of(secret))
    if token is None or use_of(token) != use or expired(token, now):
        return None
    return token


def find_session(registry: Registry, cookie: str, now: Millis, idle_ms: int) -> Token | None:
    """The session of that cookie; it ends unused for ``idle_ms``, and with the token that opened it."""
    session = find_token(registry, cookie, "session", now)
    if session is None or now - (session.last_used_at or session.created_at) >= idle_ms:
        return None
    opened_with = str((session.purpose or {}).get("of", ""))
    if not opened_with:
        return session
    parent = registry.access.token_by_digest(opened_with)
    return None if parent is None or expired(parent, now) else session


def note_use(registry: Registry, token: Token, now: Millis) -> None:
    """Once a minute; that it could not be noted stops nobody."""
    if token.last_used_at is not None and now - token.last_used_at < MINUTE:
        return
    try:
        registry.access.touch(token.id, now)
    except StorageError as error:
        log.debug("event=token_use_not_noted token=%s error=%s", token.id, error)


def expired(token: Token, now: Millis) -> bool:
    return token.expires_at is not None and now >= token.expires_at
