"""Single sign-on: to the provider and back."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import RedirectResponse, Response

from api.auth import Viewer
from api.auth_oidc import BACK, COOKIE, begin, come_in, returned
from api.auth_session import safe_path
from api.pages.door_pages import try_again
from api.pages.view import AnyView
from api.problems import ProblemError
from shared.audit import Deed

router = APIRouter(include_in_schema=False)


@router.get("/enter/single")
def to_the_provider(request: Request, onward: Annotated[str, Query(alias="next")] = "/") -> Response:
    return begin(request, onward)


@router.post("/account/single")
def join_both(request: Request, caller: Viewer) -> Response:
    """Let the provider speak for this account from now on."""
    if caller.account is None:
        raise ProblemError(409, "This session belongs to a key, not to an account.")
    return begin(request, "/account", caller.account)


@router.get(BACK)
def back_from_the_provider(
    request: Request,
    view: AnyView,
    code: Annotated[str, Query()] = "",
    state: Annotated[str, Query()] = "",
    error: Annotated[str, Query()] = "",
) -> Response:
    try:
        back = returned(request, "" if error else code, state)
    except ProblemError as problem:
        return try_again(view, problem, "/")
    if back.account is None:
        session = come_in(request, back)
        answer: Response = RedirectResponse(safe_path(back.onward), 303)
        session.attach(answer)
    else:
        answer = _joined(view, back.account, back.subject)
    answer.delete_cookie(COOKIE, path="/enter", httponly=True, samesite="lax")
    return answer


def _joined(view: AnyView, account: str, subject: str) -> Response:
    """Only for the account that asked, and only in its own session."""
    if view.caller is None or view.caller.account != account:
        raise ProblemError(401, "Sign in first, then begin again under Account.")
    with view.whole.registry.begin() as tx:
        tx.accounts.change(account, subject=subject)
        tx.audit.append(Deed(view.now, view.name, view.caller.key, "accounts.single", account))
    return view.back("/account", "From now on single sign-on opens this account too.")
