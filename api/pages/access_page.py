"""Who may come in: accounts, invitations, keys, and the log of who did what. For those who manage the whole house."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData

from api.auth import HouseManager
from api.auth_accounts import INVITE_HOURS, invite, join_link
from api.pages.forms import Text, number, read
from api.pages.view import AnyView, View
from api.v1 import accounts, audit, tokens
from shared.times import DAY, HOUR, Millis, iso

router = APIRouter(include_in_schema=False)
_ALL = 1000


async def _sent(request: Request) -> FormData:
    return await request.form()


Sent = Annotated[FormData, Depends(_sent)]
"""A form whose fields are named after the sites."""


@router.get("/access")
def access_page(view: AnyView, caller: HouseManager) -> Response:
    return _page(view, caller)


@router.post("/access/invitations")
def add_invitation(form: Sent, view: AnyView, caller: HouseManager) -> Response:
    asked = read(accounts.InvitationIn, name=str(form.get("name", "")), **_roles(form))
    made = accounts.add_invitation(asked, view.parts, caller)
    return _page(view, caller, link=_whole(view, made.link), until=made.expires_at)


@router.post("/access/accounts/{account_id}")
def change_account(account_id: str, form: Sent, view: AnyView, caller: HouseManager) -> Response:
    asked = read(accounts.AccountChange, name=str(form.get("name", "")), **_roles(form))
    accounts.change_account(account_id, asked, view.parts, caller)
    return view.back("/access", "Kept.")


@router.post("/access/accounts/{account_id}/switch")
def switch_account(account_id: str, view: AnyView, caller: HouseManager, disabled: Text) -> RedirectResponse:
    off = disabled == "yes"
    accounts.change_account(account_id, accounts.AccountChange(disabled=off), view.parts, caller)
    return view.back("/access", "Switched off; their sessions have ended." if off else "Switched on again.")


@router.post("/access/accounts/{account_id}/renew")
def renew_account(account_id: str, view: AnyView, caller: HouseManager) -> Response:
    held = view.parts.registry.accounts.get(account_id)
    key = invite(view.parts.registry, view.now, role=held.role, name=held.name, account=held.id)
    link = _whole(view, join_link(view.parts.settings.web.public_url, key))
    return _page(view, caller, link=link, until=Millis(view.now + INVITE_HOURS * HOUR))


@router.post("/access/accounts/{account_id}/delete")
def delete_account(account_id: str, view: AnyView, caller: HouseManager) -> RedirectResponse:
    accounts.delete_account(account_id, view.parts, caller)
    return view.back("/access", "Deleted. What they did stays in the log.")


@router.post("/access/tokens")
def add_token(
    view: AnyView, caller: HouseManager, name: Text, role: Text, site: Text = "", days: Text = ""
) -> Response:
    length = number(days, "days")
    ends = None if length is None else iso(Millis(view.now + round(min(length, 36_500) * DAY)))
    asked = read(tokens.TokenIn, name=name, role=role, site=site or None, expires_at=ends)
    return _page(view, caller, made=tokens.add_token(asked, view.parts, caller).token)


@router.post("/access/tokens/{token_id}/end")
def end_token(token_id: str, view: AnyView, caller: HouseManager) -> RedirectResponse:
    tokens.revoke_token(token_id, view.parts, caller)
    return view.back("/access", "Ended.")


@router.get("/audit")
def audit_page(
    view: AnyView, caller: HouseManager, cursor: Annotated[str | None, Query()] = None
) -> Response:
    found = audit.list_audit(view.parts, caller, cursor, 100)
    return view.page(
        "audit.html", entries=found.items, more=found.next, chain=audit.get_chain(view.parts, caller)
    )


def _page(view: View, caller: HouseManager, **more: Any) -> Response:
    context: dict[str, Any] = {"link": "", "until": view.now, "made": "", **more}
    return view.page(
        "access.html",
        accounts=accounts.list_accounts(view.parts, caller, None, _ALL).items,
        tokens=tokens.list_tokens(view.parts, caller, None, _ALL).items,
        sites=view.parts.registry.sites.all(),
        **context,
    )


def _roles(form: FormData) -> dict[str, Any]:
    """The role on every site, and those on one each: fields named on.<site>."""
    on = {
        str(name).removeprefix("on."): value
        for name, value in form.items()
        if str(name).startswith("on.") and value
    }
    return {"role": form.get("role") or None, "site_roles": on}


def _whole(view: View, link: str) -> str:
    return link if "://" in link else str(view.request.base_url).rstrip("/") + link
