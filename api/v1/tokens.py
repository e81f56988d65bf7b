"""Bearer tokens and sessions: who holds one, when it was used last, and an end to it."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter
from pydantic import Field

from api.auth import HouseManager, create_token, use_of
from api.auth_tokens import account_of
from api.parts import PartsHere
from api.problems import unprocessable
from api.v1.lookup import check_site
from api.v1.wire import PAGE, PREFIX, At, Cursor, In, Instant, Limit, Line, Out, Page, Slug, page_of
from shared.people import Role, Token

router = APIRouter(prefix=PREFIX, tags=["tokens"])


class TokenIn(In):
    role: Role
    name: Line = Field(description="whose or what it is")
    expires_at: Instant | None = None
    site: Slug | None = Field(None, description="the one site that it opens; without it, every site")


class TokenOut(Out):
    """``kind``: bearer; session = a browser; first_run, invite = a link that was not used yet; second = a code is awaited."""

    id: str
    kind: Literal["bearer", "session", "first_run", "invite", "second"]
    name: str
    role: Role
    site: str | None
    account: str | None = Field(description="whose session it is; its roles count then")
    source: str = Field(description="where a session was opened from")
    agent: str
    created_at: At
    expires_at: At | None
    last_used_at: At | None


class NewToken(Out):
    token: str = Field(description="shown this once; only its SHA-256 is kept")


def show(token: Token) -> TokenOut:
    return TokenOut.model_validate({
        "id": token.id,
        "kind": use_of(token),
        "name": token.name,
        "role": token.role,
        "site": token.site,
        "account": account_of(token),
        "source": str((token.purpose or {}).get("from", "")),
        "agent": str((token.purpose or {}).get("agent", "")),
        "created_at": token.created_at,
        "expires_at": token.expires_at,
        "last_used_at": token.last_used_at,
    })  # fmt: skip


@router.post("/tokens", status_code=201)
def add_token(asked: TokenIn, parts: PartsHere, _: HouseManager) -> NewToken:
    now = parts.clock.now()
    if asked.expires_at is not None and asked.expires_at <= now:
        raise unprocessable("body.expires_at", "lies in the past")
    if asked.site is not None:
        check_site(parts.registry, asked.site, "body.site")
    secret = create_token(
        parts.registry, asked.role, asked.name, now, expires_at=asked.expires_at, site=asked.site
    )
    return NewToken(token=secret)


@router.get("/tokens")
def list_tokens(
    parts: PartsHere, _: HouseManager, cursor: Cursor = None, limit: Limit = PAGE
) -> Page[TokenOut]:
    """By the time they were made."""
    found = [token for token in parts.registry.access.tokens() if use_of(token)]
    return page_of(found, show, lambda token: (token.created_at, token.id), cursor, limit)


@router.delete("/tokens/{token}", status_code=204)
def revoke_token(token: str, parts: PartsHere, _: HouseManager) -> None:
    """It opens nothing from now on, and neither do the sessions that were opened with it."""
    parts.registry.access.revoke(token)
