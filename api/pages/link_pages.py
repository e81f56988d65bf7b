"""What a signed link of a message leads to: it shows what it would do, and a button does it."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from api.auth import Caller, admit
from api.pages.forms import Text
from api.pages.log_forms import answer_found, log_turn
from api.pages.pile_page import pile_context
from api.pages.view import AnyView, View
from api.problems import ProblemError
from api.v1 import episodes
from shared.ids import new_id
from shared.links import LINK_PATH, LinkError, LinkPurpose, link_key, verify_link
from shared.notices import told_along
from shared.ports import NotFound, Registry
from shared.times import Millis, iso

router = APIRouter(include_in_schema=False)
_ANSWERED_BY_A_TURN = {"turn_soon", "turn_due", "turn_overdue", "cool_pile", "fire_watch"}


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
