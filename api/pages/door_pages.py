"""In and out: sign in with a name, a key or an invitation; and the page of an error."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import RedirectResponse, Response

from api.auth_accounts import SECOND_COOKIE, SecondStep, find_invitation, finish_sign_in, join, sign_in
from api.auth_session import Session, close_session, open_session, safe_path
from api.auth_tokens import account_of, use_of
from api.pages.forms import Text
from api.pages.view import AnyView, View
from api.problems import Problem, ProblemError

router = APIRouter(include_in_schema=False)


@router.get("/enter")
def enter_page(
    view: AnyView, onward: Annotated[str, Query(alias="next")] = "/", key: Annotated[str, Query()] = ""
) -> Response:
    """With the key that the first start printed, the owner's account is made."""
    if key and find_invitation(view.whole.registry, key, view.now) is not None:
        return _join_page(view, key)
    return _enter_page(view, onward)


@router.post("/enter")
def enter(
    request: Request,
    view: AnyView,
    login: Text = "",
    password: Text = "",
    key: Text = "",
    onward: Annotated[str, Form(alias="next")] = "/",
) -> Response:
    try:
        opened = open_session(request, key) if key or not login else sign_in(request, login, password)
    except ProblemError as error:
        return try_again(view, error, onward)
    if isinstance(opened, SecondStep):
        answer: Response = view.page("enter_code.html", onward=safe_path(onward), wrong="")
        opened.attach(answer)
        return answer
    return _come_in(opened, onward)


@router.post("/enter/code")
def enter_code(
    request: Request, view: AnyView, code: Text = "", onward: Annotated[str, Form(alias="next")] = "/"
) -> Response:
    try:
        session = finish_sign_in(request, code)
    except ProblemError as error:
        if error.status not in {401, 429} or not request.cookies.get(SECOND_COOKIE):
            return try_again(view, error, onward)
        return view.page("enter_code.html", error.status, onward=safe_path(onward), wrong=str(error))
    answer = _come_in(session, onward)
    answer.delete_cookie(SECOND_COOKIE, path="/enter", httponly=True, samesite="strict")
    return answer


@router.get("/join")
def join_page(view: AnyView, key: Annotated[str, Query()] = "") -> Response:
    return _join_page(view, key)


@router.post("/join")
def join_form(
    request: Request, view: AnyView, key: Text = "", login: Text = "", name: Text = "", password: Text = ""
) -> Response:
    try:
        session = join(request, key, login, name, password)
    except ProblemError as error:
        if error.status not in {401, 409, 422, 429}:
            raise
        return _join_page(view, key, error, login, name)
    return _come_in(session, "/")


@router.post("/leave")
def leave(request: Request) -> Response:
    response = RedirectResponse("/enter", 303)
    close_session(request, response)
    return response


def _come_in(session: Session, onward: str) -> Response:
    answer = RedirectResponse(safe_path(onward), 303)
    session.attach(answer)
    return answer


def _enter_page(view: View, onward: str, wrong: str = "", status: int = 200) -> Response:
    oidc = view.whole.settings.oidc
    return view.page(
        "enter.html", status, onward=safe_path(onward), wrong=wrong, single=oidc.label if oidc.issuer else ""
    )


def try_again(view: View, error: ProblemError, onward: str) -> Response:
    """The door once more, with what was wrong."""
    if error.status not in {401, 429}:
        raise error
    answer = _enter_page(view, onward, str(error), error.status)
    answer.headers.update({name: value for name, value in error.headers.items() if name == "Retry-After"})
    return answer


def _join_page(
    view: View, key: str, error: ProblemError | None = None, login: str = "", name: str = ""
) -> Response:
    invitation = find_invitation(view.whole.registry, key, view.now)
    if invitation is None:
        return view.page(
            "link_gone.html",
            410,
            why="This invitation was used before, or its time is over. Ask for another.",
        )
    old = account_of(invitation)
    known = None if old is None else view.whole.registry.accounts.get(old)
    answer = view.page(
        "join.html", error.status if error else 200, key=key, known=known, login=login, name=name,
        first=use_of(invitation) == "first_run", wrong=str(error or ""),
    )  # fmt: skip
    answer.headers.update(error.headers if error else {})
    return answer


def problem_page(request: Request, problem: Problem) -> Response:
    """What a browser sees of an error."""
    parts = request.app.state.parts
    return replace(View(request, parts, None)).page("problem.html", problem.status, problem=problem)
