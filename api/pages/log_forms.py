"""What a person writes down at the pile, sent as a form; kept by the same functions as the JSON routes."""

from __future__ import annotations

import hashlib
from typing import Annotated, Any

from fastapi import APIRouter, File, Form, UploadFile
from fastapi.responses import RedirectResponse
from pydantic import BaseModel

from api.auth import Caller, Helper
from api.pages.forms import Text, instant_text, number, read, was_done_before
from api.pages.view import AnyView, View
from api.photos import as_jpeg
from api.problems import ProblemError, unprocessable
from api.v1 import field_log, field_notes
from api.v1.idempotency import once
from shared.ids import new_id
from shared.piles import FieldNote, Pile
from shared.ports import Registry
from shared.times import Millis, parse_time, to_datetime

router = APIRouter(include_in_schema=False)
_NOTES: dict[str, Any] = {
    "water": field_notes.WaterNote,
    "cover": field_notes.CoverNote,
    "smell": field_notes.SmellNote,
    "squeeze": field_notes.SqueezeNote,
    "hand_reading": field_notes.HandReadingNote,
    "remark": field_notes.RemarkNote,
}


@router.post("/piles/{pile_id}/turn")
def turn_form(
    pile_id: str,
    view: AnyView,
    caller: Helper,
    at: Text = "",
    note: Text = "",
    key: Text = "",
    onward: Annotated[str, Form(alias="next")] = "",
) -> RedirectResponse:
    pile, zone = _pile(view, pile_id)
    said = log_turn(view, caller, pile, zone, at=at, note=note, key=key)
    return view.back(onward or f"/piles/{pile.id}", said)


def log_turn(view: View, caller: Caller, pile: Pile, zone: str, *, at: str, note: str, key: str) -> str:
    """The one way in which a page logs a turn; gives what to say."""
    when = instant_text(at, zone, view.now)
    asked = read(field_log.TurnIn, at=when, note=note)
    try:
        field_log.log_turn(pile.id, asked, view.parts, caller, key or None)
    except ProblemError as error:
        if was_done_before(error):
            return f"{pile.peg}: that turn was logged already."
        raise
    return f"{pile.peg}: turn logged at {to_datetime(asked.at, zone):%H:%M}. Thank you."


@router.post("/piles/{pile_id}/turns/{turn_id}")
def turn_answer(
    pile_id: str, turn_id: str, view: AnyView, caller: Helper, state: Text, at: Text = ""
) -> RedirectResponse:
    """Confirm, decline or take back a turn; ``found`` = one that is proposed and not yet written down."""
    pile, zone = _pile(view, pile_id)
    if turn_id == "found":
        said = answer_found(view, caller, pile, zone, at=at, state=state)
        return view.back(f"/piles/{pile.id}#story", said)
    asked = read(field_log.TurnChange, state=state)
    field_log.change_turn(pile.id, turn_id, asked, view.parts, caller)
    return view.back(f"/piles/{pile.id}#story", _ANSWERED[state])


_ANSWERED = {"confirmed": "Confirmed: it was a turn.", "declined": "Taken back: it was no turn."}


def answer_found(view: View, caller: Caller, pile: Pile, zone: str, *, at: str, state: str) -> str:
    """The one way in which a page answers for a turn found in the curve; gives what to say."""
    if not at.strip():
        raise unprocessable("at", "Say which turn is meant.")
    asked = read(field_log.FoundTurnIn, at=instant_text(at, zone, view.now), state=state)
    try:
        kept = field_log.answer_found(pile.id, asked, view.parts, caller)
    except ProblemError as error:
        if error.status != 409:
            raise
        return f"{pile.peg}: {error}."
    when = f"{to_datetime(kept.at, zone):%H:%M}"
    if kept.state == "declined":
        return f"{pile.peg}: no turn at {when}. It will not be asked again."
    return f"{pile.peg}: turned at {when}, confirmed. Thank you."


@router.post("/piles/{pile_id}/note")
def note_form(
    pile_id: str,
    view: AnyView,
    caller: Helper,
    kind: Text,
    at: Text = "",
    text: Text = "",
    figure: Text = "",
    depth_cm: Text = "",
    smell: Text = "none",
    smoke: Text = "",
    feel: Text = "",
    key: Text = "",
    units: Text = "",
    photo: Annotated[UploadFile | None, File()] = None,
) -> RedirectResponse:
    pile, zone = _pile(view, pile_id)
    when = instant_text(at, zone, view.now)
    fields: dict[str, Any] = {"kind": kind, "at": when, "text": text}
    if kind == "photo":
        return _photo(view, caller, pile, when, text, photo, key)
    if kind not in _NOTES:
        raise ProblemError(422, f"There is no note of the kind {kind!r}.")
    if kind == "hand_reading":
        # the form says in which units it was filled in: an entry that waited for a signal may meet others
        fields["fahrenheit" if (units or view.units) == "fahrenheit" else "celsius"] = number(
            figure, "temperature"
        )
        fields["depth_cm"] = number(depth_cm, "depth")
    elif kind == "water":
        fields["litres"] = number(figure, "litres")
    elif kind == "smell":
        fields |= {"smell": smell, "smoke": smoke == "yes"}
    elif kind == "squeeze":
        fields["feel"] = feel
    asked = read(_NOTES[kind], **fields)
    said = f"{pile.peg}: noted."
    try:
        field_log.add_note(pile.id, asked, view.parts, caller, key or None)
    except ProblemError as error:
        if not was_done_before(error):
            raise
        said = f"{pile.peg}: that was noted already."
    if kind == "smell" and (smoke == "yes" or smell == "burnt"):
        said += " Smoke or a burnt smell: do not open the pile. Call the fire service first and keep off it."
    return view.back(f"/piles/{pile.id}", said)


@router.get("/piles/{pile_id}/notes/{note_id}/photo")
def photo(pile_id: str, note_id: str, view: AnyView, caller: Helper) -> Any:
    return field_log.get_photo(pile_id, note_id, view.parts, caller)


class _Picture(BaseModel):
    """What makes two sendings of a picture the same one."""

    at: str
    text: str
    sha256: str


def _photo(
    view: View, caller: Caller, pile: Pile, when: str, text: str, photo: UploadFile | None, key: str
) -> RedirectResponse:
    raw = photo.file.read() if photo is not None else b""
    if not raw:
        raise ProblemError(422, "Choose a picture first.")
    jpeg = as_jpeg(raw)
    at = parse_time(when)
    field_log.check_when(pile, at, view.now)
    note = FieldNote(
        id=new_id(Millis(view.now)), pile_id=pile.id, kind="photo", at=at, text=text, by=caller.name
    )

    def keep(tx: Registry) -> None:
        tx.piles.add_note(note)
        tx.piles.save_photo(note.id, jpeg)

    asked = _Picture(at="" if key else when, text=text, sha256=hashlib.sha256(raw).hexdigest())
    said = f"{pile.peg}: picture kept."
    try:
        once(view.parts.registry, key or None, f"pictures of {pile.id}", asked, view.now, asked, keep)
    except ProblemError as error:
        if not was_done_before(error):
            raise
        said = f"{pile.peg}: that picture was kept already."
    return view.back(f"/piles/{pile.id}#story", said)


def _pile(view: View, pile_id: str) -> tuple[Pile, str]:
    pile = view.parts.registry.piles.get(pile_id)
    return pile, view.parts.registry.sites.get(pile.site).zone
