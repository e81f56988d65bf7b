"""In and out: sign in with a name, a key or an invitation, follow a signed link, and the page of an error."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import RedirectResponse, Response

from api.auth import Caller, admit
from api.auth_accounts import SECOND_COOKIE, SecondStep, find_invitation, finish_sign_in, join, sign_in
from api.auth_session import Session, close_session, open_session, safe_path
from api.auth_tokens import account_of, use_of
from api.pages.forms import Text
from api.pages.log_forms import answer_found, log_turn
from api.pages.pile_page import pile_context
from api.pages.view import AnyView, View
from api.problems import Problem, ProblemError
from api.v1 import episodes
from shared.ids import new_id
from shared.links import LINK_PATH, LinkError, LinkPurpose, link_key, verify_link
from shared.notices import told_along
from shared.ports import NotFound, Registry
from shared.times import Millis, iso

router = APIRouter(include_in_schema=False)
_ANSWERED_BY_A_TURN = {"turn_soon", "turn_due", "turn_overdue", "cool_pile", "fire_watch"}


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
        "link.html", token=token, purpose=purpose, done="", found_at=_found_at(view, purpose),
        **{"pile": None, "key": "", **context},
    )  # fmt: skip


@router.post(LINK_PATH + "{token}")
def link_act(token: str, view: AnyView, at: Text = "", key: Text = "", state: Text = "") -> Response:
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
    elif purpose.act == "answer_turn" and pile is not None:
        zone = view.parts.registry.sites.get(pile.site).zone
        found_at = _found_at(view, purpose)
        at = "" if found_at is None else iso(found_at)
        said = answer_found(view, caller, pile, zone, at=at, state=state)
        _acknowledge(view, purpose, caller)
    else:
        said = _acknowledge(view, purpose, caller)
    context = pile_context(view, pile) if pile else {}
    return view.page(
        "link.html", token=token, purpose=purpose, done=said, **{"pile": None, "key": "", **context}
    )


def _acknowledge(view: View, purpose: LinkPurpose, caller: Caller) -> str:
    """Whatever the message told of is answered with it; a link that names no pile answers for the whole round."""
    asked = [purpose.episode]
    if purpose.act == "acknowledge":
        told = view.parts.registry.notices.of_episode(purpose.episode)
        asked += told_along(told, purpose.person, whole_round=purpose.pile is None)
    seen = [_acknowledged(view, episode, caller) for episode in asked]
    return "Seen. There will be no more reminders of it." if any(seen) else "It is over already."


def _acknowledged(view: View, episode: str, caller: Caller) -> bool:
    try:
        episodes.acknowledge(episode, view.parts, caller)
    except ProblemError as error:
        if error.status == 409:
            return False
        raise
    return True


def _found_at(view: View, purpose: LinkPurpose) -> Millis | None:
    """The instant of the turn that the message asked about; None = it asked about none."""
    if purpose.act != "answer_turn":
        return None
    at = view.parts.registry.episodes.get(purpose.episode).figures.get("turn_at")
    return Millis(int(at)) if isinstance(at, int | float) else None


def _purpose(view: View, token: str) -> LinkPurpose:
    purpose = verify_link(link_key(view.whole.registry.memory), token, view.now)
    if purpose.act != "open" and _is_over(view, purpose):
        raise LinkError("What this link was for is over. Open the pile's page to write something down.")
    return purpose


def _is_over(view: View, purpose: LinkPurpose) -> bool:
    """A link ends with its episode; the turn that a message asked for stays wanted while the next one asks for it, and
    the answer to a round while any of its piles does."""
    registry = view.whole.registry
    if not purpose.episode or not _resolved(registry, purpose.episode):
        return False
    if purpose.act == "acknowledge":
        told = registry.notices.of_episode(purpose.episode)
        along = told_along(told, purpose.person, whole_round=purpose.pile is None)
        return all(_resolved(registry, episode) for episode in along)
    standing = registry.episodes.unresolved(purpose.pile) if purpose.pile else []
    return purpose.act != "log_turn" or not any(one.kind in _ANSWERED_BY_A_TURN for one in standing)


def _resolved(registry: Registry, episode: str) -> bool:
    try:
        return registry.episodes.get(episode).state == "resolved"
    except NotFound:
        return False


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
