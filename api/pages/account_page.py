"""One's own account: password, second factor, sessions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from api.auth import Viewer
from api.auth_accounts import change_password
from api.auth_session import is_key_of
from api.auth_slowdown import Slowdown
from api.auth_tokens import account_of, use_of
from api.auth_totp import new_recovery, new_secret, passed, picture, step_of
from api.pages.forms import Text
from api.pages.view import AnyView, View
from api.problems import ProblemError
from shared.accounts import Account
from shared.audit import Deed
from shared.ports import NotFound
from shared.times import Millis

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class OwnSession:
    id: str
    agent: str
    source: str
    created_at: Millis
    last_used_at: Millis | None
    here: bool


@router.get("/account")
def account_page(view: AnyView, _: Viewer) -> Response:
    return _page(view)


@router.post("/account/password")
def new_password(request: Request, view: AnyView, _: Viewer, new: Text, old: Text = "") -> Response:
    session = change_password(request, _own(view), old, new)
    answer = view.back("/account", "Changed. Every other session has ended.")
    session.attach(answer)
    return answer


@router.post("/account/second/begin")
def begin_second(view: AnyView, _: Viewer) -> Response:
    account = _own(view)
    if account.totp_secret is not None:
        raise ProblemError(409, "The second factor is on already.")
    secret = new_secret()
    return _page(view, secret=secret, picture=picture(secret, account.login))


@router.post("/account/second/on")
def second_on(view: AnyView, _: Viewer, secret: Text, code: Text) -> Response:
    account = _own(view)
    if account.totp_secret is not None:
        raise ProblemError(409, "The second factor is on already.")
    try:
        step = step_of(secret, code, view.now, 0)
    except ValueError:
        raise ProblemError(422, "That is not a secret of ours; begin again.") from None
    if step is None:
        wrong = "This code does not fit. Is the phone's clock right? Try the next one."
        return _page(view, 422, secret=secret, picture=picture(secret, account.login), wrong=wrong)
    codes, kept = new_recovery()
    _change(view, account, "accounts.second_on", totp_secret=secret, totp_step=step, recovery=kept)
    return _page(view, codes=codes)


@router.post("/account/second/off")
def second_off(request: Request, view: AnyView, _: Viewer, code: Text) -> Response:
    account = _own(view)
    slowdown: Slowdown = request.app.state.slowdown
    slowdown.check(request, account.login)
    if passed(account, code, view.now) is None:
        slowdown.failed(request, account.login)
        raise ProblemError(403, "This code is not the one, or was used before.")
    _change(view, account, "accounts.second_off", totp_secret=None, totp_step=0, recovery=())
    return view.back("/account", "The second factor is off.")


@router.post("/account/sessions/{session_id}/end")
def end_session(session_id: str, view: AnyView, _: Viewer) -> RedirectResponse:
    account = _own(view)
    with view.whole.registry.begin() as tx:
        mine = [
            one.id for one in tx.access.tokens() if use_of(one) == "session" and account_of(one) == account.id
        ]
        if session_id not in mine:
            raise NotFound("there is no such session")
        tx.access.revoke(session_id)
        tx.audit.append(_deed(view, "session.ended", session_id))
    return view.back("/account", "Ended.")


def _page(view: View, status: int = 200, **more: Any) -> Response:
    account = _account(view)
    oidc = view.whole.settings.oidc
    context: dict[str, Any] = {"secret": "", "picture": "", "codes": [], "wrong": "", **more}
    return view.page(
        "account.html", status, account=account, sessions=_sessions(view, account), single=oidc.label if oidc.issuer else "",
        **context,
    )  # fmt: skip


def _sessions(view: View, account: Account | None) -> list[OwnSession]:
    cookie = view.caller.session if view.caller else None
    return [
        OwnSession(
            one.id, str((one.purpose or {}).get("agent", "")), str((one.purpose or {}).get("from", "")),
            one.created_at, one.last_used_at, bool(cookie) and is_key_of(cookie or "", one),
        )
        for one in view.whole.registry.access.tokens()
        if account is not None and use_of(one) == "session" and account_of(one) == account.id
    ]  # fmt: skip


def _account(view: View) -> Account | None:
    account_id = view.caller.account if view.caller else None
    return None if account_id is None else view.whole.registry.accounts.get(account_id)


def _own(view: View) -> Account:
    account = _account(view)
    if account is None:
        raise ProblemError(409, "This session belongs to a key, not to an account.")
    return account


def _change(view: View, account: Account, act: str, **fields: Any) -> None:
    with view.whole.registry.begin() as tx:
        tx.accounts.change(account.id, **fields)
        tx.audit.append(_deed(view, act, account.id))


def _deed(view: View, act: str, what: str) -> Deed:
    caller = view.caller
    return Deed(
        view.now, caller.name if caller else "", caller.key if caller else "", act, what, None, view.source
    )
