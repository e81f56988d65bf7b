"""What people do to a pile and see of it: turns, notes, photos."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Body, Header
from fastapi.responses import Response

from api.auth import Helper, Viewer
from api.parts import PartsHere
from api.photos import as_jpeg
from api.problems import ProblemError, unprocessable
from api.v1.field_notes import NoteIn, NoteOut, figures_of, show_note
from api.v1.idempotency import once
from api.v1.lookup import find_note, find_pile, find_turn
from api.v1.wire import PAGE, PREFIX, At, Cursor, In, Instant, Limit, Out, Page, Words, no_later_than, page_of
from shared.heat.found_turns import ON_RECORD_WITHIN_MS
from shared.ids import new_id
from shared.piles import FieldNote, Pile, Turn, TurnSource, TurnState
from shared.ports import Registry
from shared.times import Millis, iso

router = APIRouter(prefix=PREFIX, tags=["field log"])

IdempotencyKey = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key", min_length=1, max_length=200, pattern=r"^[\x20-\x7e]+$",
        description="the same key with the same body is done once and answered alike; with another body it is refused",
    ),
]  # fmt: skip


class TurnIn(In):
    at: Instant
    note: Words = ""


class TurnChange(In):
    """Confirm or decline a turn that was found in the curve, or correct one that was logged."""

    state: TurnState | None = None
    at: Instant | None = None
    note: Words | None = None


class FoundTurnIn(In):
    """Whether what was found in the curve at ``at`` was a turn."""

    at: Instant
    state: Literal["confirmed", "declined"]


class TurnOut(Out):
    id: str
    pile: str
    at: At
    source: TurnSource
    state: TurnState
    note: str
    by: str


def show(turn: Turn) -> TurnOut:
    return TurnOut(
        id=turn.id, pile=turn.pile_id, at=turn.at, source=turn.source, state=turn.state, note=turn.note, by=turn.by
    )  # fmt: skip


@router.post("/piles/{pile}/turns", status_code=201, response_model=TurnOut)
def log_turn(
    pile: str, asked: TurnIn, parts: PartsHere, caller: Helper, key: IdempotencyKey = None
) -> Response:
    now = parts.clock.now()
    held = find_pile(parts.registry, pile)
    turn = Turn(id=new_id(now), pile_id=held.id, at=asked.at, note=asked.note, by=caller.name)

    def keep(tx: Registry) -> None:
        check_when(tx.piles.get(held.id), asked.at, now)
        tx.piles.add_turn(turn)

    return once(parts.registry, key, f"turns of {held.id}", asked, now, show(turn), keep)


@router.post("/piles/{pile}/turns/found", status_code=201)
def answer_found(pile: str, asked: FoundTurnIn, parts: PartsHere, caller: Helper) -> TurnOut:
    """Confirm or decline a turn that the heat report proposes; it keeps the time at which it was found. Whichever was
    said, it is on record then and is not proposed again; a later answer to the same one takes the place of the first."""
    now = parts.clock.now()
    with parts.registry.begin() as tx:
        held = find_pile(tx, pile)
        check_when(held, asked.at, now)
        near = [turn for turn in tx.piles.turns(held.id) if abs(turn.at - asked.at) <= ON_RECORD_WITHIN_MS]
        logged = [turn for turn in near if turn.source == "logged" and turn.counts]
        if logged:
            raise ProblemError(409, f"a turn of {held.peg} is on record already, at {iso(logged[0].at)}")
        found = next((turn for turn in near if turn.source == "detected"), None)
        if found is not None:
            fields = {} if found.state == asked.state else {"state": asked.state, "by": caller.name}
            return show(tx.piles.change_turn(found.id, **fields) if fields else found)
        turn = Turn(
            id=new_id(now), pile_id=held.id, at=asked.at, source="detected", state=asked.state,
            note="found in the curve", by=caller.name,
        )  # fmt: skip
        tx.piles.add_turn(turn)
        return show(turn)


@router.get("/piles/{pile}/turns")
def list_turns(
    pile: str, parts: PartsHere, _: Viewer, cursor: Cursor = None, limit: Limit = PAGE
) -> Page[TurnOut]:
    """By time."""
    held = find_pile(parts.registry, pile)
    return page_of(parts.registry.piles.turns(held.id), show, lambda turn: (turn.at, turn.id), cursor, limit)


@router.patch("/piles/{pile}/turns/{turn}")
def change_turn(pile: str, turn: str, asked: TurnChange, parts: PartsHere, caller: Helper) -> TurnOut:
    fields: dict[str, Any] = {name: getattr(asked, name) for name in asked.model_fields_set}
    for name, value in fields.items():
        if value is None:
            raise unprocessable(f"body.{name}", "cannot be taken away")
    if fields.get("state") == "proposed":
        raise unprocessable("body.state", "a person confirms or declines; only the program proposes")
    with parts.registry.begin() as tx:
        held = find_pile(tx, pile)
        found = find_turn(tx, held, turn)
        if "at" in fields:
            check_when(held, fields["at"], parts.clock.now())
        if "state" in fields and fields["state"] != found.state:
            fields["by"] = caller.name
        return show(tx.piles.change_turn(found.id, **fields) if fields else found)


@router.post("/piles/{pile}/notes", status_code=201, response_model=NoteOut)
def add_note(
    pile: str,
    asked: Annotated[NoteIn, Body(discriminator="kind")],
    parts: PartsHere,
    caller: Helper,
    key: IdempotencyKey = None,
) -> Response:
    now = parts.clock.now()
    held = find_pile(parts.registry, pile)
    note = FieldNote(
        id=new_id(now),
        pile_id=held.id,
        kind=asked.kind,
        at=asked.at,
        text=asked.text,
        figures=figures_of(asked),
        by=caller.name,
    )

    def keep(tx: Registry) -> None:
        check_when(tx.piles.get(held.id), asked.at, now)
        tx.piles.add_note(note)

    return once(parts.registry, key, f"notes of {held.id}", asked, now, show_note(note), keep)


@router.get("/piles/{pile}/notes")
def list_notes(
    pile: str, parts: PartsHere, _: Viewer, cursor: Cursor = None, limit: Limit = PAGE
) -> Page[NoteOut]:
    """By time."""
    held = find_pile(parts.registry, pile)
    found = parts.registry.piles.notes(held.id)
    return page_of(found, show_note, lambda note: (note.at, note.id), cursor, limit)


_IMAGE = {"content": {"image/*": {"schema": {"type": "string", "format": "binary"}}}, "required": True}


@router.put("/piles/{pile}/notes/{note}/photo", status_code=204, openapi_extra={"requestBody": _IMAGE})
def put_photo(
    pile: str, note: str, parts: PartsHere, _: Helper, image: Annotated[bytes, Body(media_type="image/*")]
) -> None:
    """A JPEG, PNG or WebP of at most 12 MiB; kept as a smaller JPEG without its place and camera data."""
    held = find_note(parts.registry, find_pile(parts.registry, pile), note)
    parts.registry.piles.save_photo(held.id, as_jpeg(image))


@router.get("/piles/{pile}/notes/{note}/photo", response_class=Response)
def get_photo(pile: str, note: str, parts: PartsHere, _: Viewer) -> Response:
    held = find_note(parts.registry, find_pile(parts.registry, pile), note)
    return Response(parts.registry.piles.photo(held.id), media_type="image/jpeg")


def check_when(pile: Pile, at: Millis, now: Millis) -> None:
    """422 when ``at`` is ahead of us or outside the pile's life."""
    no_later_than(now, at, "body.at")
    if at < pile.built_at:
        raise unprocessable("body.at", f"lies before the pile was built ({iso(pile.built_at)})")
    if pile.finished_at is not None and at > pile.finished_at:
        raise ProblemError(409, f"pile {pile.peg} was finished at {iso(pile.finished_at)}")
