"""Accounts: who signs in, with which role on which site; invitations."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import Field

from api.auth import HouseManager
from api.auth_accounts import INVITE_HOURS, invite, join_link, keep_an_owner
from api.auth_session import end_sessions
from api.auth_tokens import account_of
from api.parts import PartsHere
from api.problems import unprocessable
from api.v1.lookup import check_site
from api.v1.wire import PAGE, PREFIX, At, Cursor, In, Limit, Line, Out, Page, ShortText, Slug, page_of
from shared.accounts import Account
from shared.people import Role
from shared.ports import Registry
from shared.times import HOUR, Millis

router = APIRouter(prefix=PREFIX, tags=["accounts"])

SiteRoles = Annotated[dict[Slug, Role], Field(max_length=200, description="site -> role there")]


class InvitationIn(In):
    """At least one of ``role`` (on every site) and ``site_roles``."""

    role: Role | None = None
    site_roles: SiteRoles = Field(default_factory=dict)
    name: ShortText = ""
    hours: Annotated[float, Field(gt=0, le=30 * 24)] = INVITE_HOURS


class InvitationOut(Out):
    """``link`` makes one account, once; it is shown here and nowhere else."""

    link: str
    expires_at: At


class AccountChange(In):
    """Only the fields that are sent change; ``site_roles`` is sent whole."""

    name: Line | None = None
    role: Role | None = None
    site_roles: SiteRoles | None = None
    disabled: bool | None = None


class AccountOut(Out):
    id: str
    login: str
    name: str
    role: Role | None
    site_roles: dict[str, Role]
    second_factor: bool
    single_sign_on: bool
    created_at: At
    disabled_at: At | None
    last_login_at: At | None


def show(account: Account) -> AccountOut:
    return AccountOut(
        id=account.id,
        login=account.login,
        name=account.name,
        role=account.role,
        site_roles=dict(account.site_roles),
        second_factor=account.totp_secret is not None,
        single_sign_on=account.subject is not None,
        created_at=account.created_at,
        disabled_at=account.disabled_at,
        last_login_at=account.last_login_at,
    )


@router.post("/invitations", status_code=201)
def add_invitation(asked: InvitationIn, parts: PartsHere, _: HouseManager) -> InvitationOut:
    if asked.role is None and not asked.site_roles:
        raise unprocessable("body.role", "say on which sites they may do what")
    for site in asked.site_roles:
        check_site(parts.registry, site, "body.site_roles")
    now = parts.clock.now()
    key = invite(
        parts.registry,
        now,
        role=asked.role,
        site_roles=dict(asked.site_roles),
        name=asked.name,
        hours=asked.hours,
    )
    return InvitationOut(
        link=join_link(parts.settings.web.public_url, key), expires_at=Millis(now + round(asked.hours * HOUR))
    )


@router.get("/accounts")
def list_accounts(
    parts: PartsHere, _: HouseManager, cursor: Cursor = None, limit: Limit = PAGE
) -> Page[AccountOut]:
    """By the name they sign in with."""
    return page_of(parts.registry.accounts.all(), show, lambda one: (one.login, one.id), cursor, limit)


@router.get("/accounts/{account}")
def get_account(account: str, parts: PartsHere, _: HouseManager) -> AccountOut:
    return show(parts.registry.accounts.get(account))


@router.patch("/accounts/{account}")
def change_account(account: str, asked: AccountChange, parts: PartsHere, _: HouseManager) -> AccountOut:
    """What is taken away is gone at once: sessions of the account ask anew each time."""
    sent = asked.model_fields_set
    fields: dict[str, Any] = {name: getattr(asked, name) for name in sent & {"name", "role", "site_roles"}}
    for name in sent & {"name", "site_roles", "disabled"}:
        if getattr(asked, name) is None:
            raise unprocessable(f"body.{name}", "cannot be taken away")
    for site in asked.site_roles or {}:
        check_site(parts.registry, site, "body.site_roles")
    if asked.disabled is not None:
        fields["disabled_at"] = parts.clock.now() if asked.disabled else None
    with parts.registry.begin() as tx:
        held = tx.accounts.get(account)
        if not fields:
            return show(held)
        changed = tx.accounts.change(held.id, **fields)
        keep_an_owner(tx)
        if asked.disabled:
            end_account(tx, held.id)
        return show(changed)


@router.delete("/accounts/{account}", status_code=204)
def delete_account(account: str, parts: PartsHere, _: HouseManager) -> None:
    """With all its sessions. What it did stays in the audit log."""
    with parts.registry.begin() as tx:
        tx.accounts.delete(account)
        keep_an_owner(tx)
        end_account(tx, account)


def end_account(tx: Registry, account: str) -> None:
    end_sessions(tx, lambda token: account_of(token) == account)
