"""In and out: sign in with a key, follow a signed link, and the page of an error."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import RedirectResponse, Response

from api.auth import Caller, admit
from api.auth_session import close_session, open_session, safe_path
from api.pages.forms import Text
from api.pages.log_forms import log_turn
from api.pages.pile_page import pile_context
from api.pages.view import AnyView, View
from api.problems import Problem, ProblemError
from api.v1 import episodes
from shared.ids import new_id
from shared.links import LINK_PATH, LinkError, LinkPurpose, link_key, verify_link
from shared.ports import NotFound

router = APIRouter(include_in_schema=False)


@router.get("/enter")
def enter_page(view: AnyView, onward: Annotated[str, Query(alias="next")] = "/") -> Response:
    return view.page("enter.html", onward=safe_path(onward), wrong="")


@router.post("/enter")
def enter(
    request: Request, view: AnyView, key: Text = "", onward: Annotated[str, Form(alias="next")] = "/"
) -> Response:
    try:
        session = open_session(request, key)
    except ProblemError as error:
        if error.status not in {401, 429}:
            raise
        answer = view.page("enter.html", error.status, onward=safe_path(onward), wrong=str(error))
        answer.headers.update({name: value for name, value in error.headers.items() if name == "Retry-After"})
        return answer
    response = RedirectResponse(safe_path(onward), 303)
    session.attach(response)
    return response


@router.post("/leave")
def leave(request: Request) -> Response:
    response = RedirectResponse("/enter", 303)
    close_session(request, response)
    return response


@router.get(LINK_PATH + "{token}")
def link_page(token: str, view: AnyView) -> Response:
    """Shows what the link would do; only the button does it, so that a mail scanner cannot."""
    try:
        purpose = _purpose(view, token)
    except LinkError as error:
        return view.page("link_gone.html", 410, why=str(error))
    if purpose.act == "open" and purpose.pile:
        return RedirectResponse(f"/piles/{purpose.pile}", 303)
    _caller(view, purpose)
    context = pile_context(view, view.parts.registry.piles.get(purpose.pile)) if purpose.pile else {}
    return view.page(
        "link.html", token=token, purpose=purpose, done="", **{"pile": None, "key": "", **context}
    )


@router.post(LINK_PATH + "{token}")
def link_act(token: str, view: AnyView, at: Text = "", key: Text = "") -> Response:
    try:
        purpose = _purpose(view, token)
    except LinkError as error:
        return view.page("link_gone.html", 410, why=str(error))
    caller = _caller(view, purpose)
    pile = view.parts.registry.piles.get(purpose.pile) if purpose.pile else None
    if purpose.act == "log_turn" and pile is not None:
        zone = view.parts.registry.sites.get(pile.site).zone
        said = log_turn(view, caller, pile, zone, at=at, note="", key=key or new_id(view.now))
        if purpose.episode:
            _acknowledge(view, purpose, caller)
    else:
        said = _acknowledge(view, purpose, caller)
    context = pile_context(view, pile) if pile else {}
    return view.page(
        "link.html", token=token, purpose=purpose, done=said, **{"pile": None, "key": "", **context}
    )


def _acknowledge(view: View, purpose: LinkPurpose, caller: Caller) -> str:
    try:
        episodes.acknowledge(purpose.episode, view.parts, caller)
    except ProblemError as error:
        if error.status == 409:
            return "It is over already."
        raise
    return "Seen. There will be no more reminders of it."


def _purpose(view: View, token: str) -> LinkPurpose:
    return verify_link(link_key(view.whole.registry.memory), token, view.now)


def _caller(view: View, purpose: LinkPurpose) -> Caller:
    """Who follows the link: a helper for the one site of its pile, or, where the trouble is no pile's, for all."""
    registry = view.whole.registry
    try:
        name = registry.people.get(purpose.person).name
    except NotFound:
        raise ProblemError(410, "This link was made for somebody who is not here any more.") from None
    if purpose.pile is None:
        caller = Caller("helper", name, key="link")
    else:
        caller = Caller(None, name, sites={registry.piles.get(purpose.pile).site: "helper"}, key="link")
    admit(view.request, caller, "helper")
    return caller


def problem_page(request: Request, problem: Problem) -> Response:
    """What a browser sees of an error."""
    parts = request.app.state.parts
    return replace(View(request, parts, None)).page("problem.html", problem.status, problem=problem)
