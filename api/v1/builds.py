"""The build record of a pile, and the checklist around it."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import Field

from api.auth import Helper, Manager, Viewer
from api.parts import Parts, PartsHere
from api.problems import unprocessable
from api.v1.field_log import check_when
from api.v1.lookup import find_pile
from api.v1.mix import work_out
from api.v1.wire import PREFIX, At, In, Out, ShortText, Words
from shared.build_record import (
    BuildRecord,
    KeptAnswer,
    build_note,
    build_of,
    check_note,
    checked_of,
    mix_as_built,
)
from shared.feedstock_answers import VERDICT_WORDS, answers_of
from shared.mix.checklist import STEP_IDS, STEPS
from shared.mix.plan import MixAnswer
from shared.mix.recipe import Recipe
from shared.piles import FieldNote, Pile
from shared.ports import Registry

router = APIRouter(prefix=PREFIX, tags=["builds"])


class BuildIn(In):
    """``mix``: what really went in; without it the pile's mix stays as it is."""

    mix: Recipe | None = None
    by: ShortText = ""
    weather: ShortText = ""
    air_c: Annotated[float, Field(ge=-60, le=60)] | None = None
    water_l: Annotated[float, Field(ge=0, le=1e6)] | None = None
    cover: ShortText = ""
    text: Words = ""


class StepOut(Out):
    id: str
    day: str
    text: str
    done: bool
    by: str = ""
    at: At | None = None


class BuildOut(Out):
    record: BuildRecord | None
    mix: dict[str, Any] | None
    checklist: list[StepOut]


class CheckIn(In):
    steps: Annotated[list[str], Field(min_length=1, max_length=50)]


def show(pile: Pile, notes: list[FieldNote]) -> BuildOut:
    return BuildOut(record=build_of(notes), mix=pile.mix, checklist=steps_of(notes))


def steps_of(notes: list[FieldNote]) -> list[StepOut]:
    done = checked_of(notes)
    return [
        StepOut(
            id=step.id, day=step.day, text=step.text, done=step.id in done,
            by=done[step.id].by if step.id in done else "", at=done[step.id].at if step.id in done else None,
        )
        for step in STEPS
    ]  # fmt: skip


def record_of(asked: BuildIn, answer: MixAnswer | None, parts: Parts, by: str) -> BuildRecord:
    """With what the yard knows of each feedstock at this moment."""
    fields = asked.model_dump(exclude={"mix"})
    asks = answer.questions if answer is not None else []
    held = {one.feedstock: answers_of(parts.registry, one.feedstock) for one in asks}
    known = [
        KeptAnswer(feedstock=one.feedstock, asks=one.question, text=found.text, verdict=VERDICT_WORDS[found.verdict])
        for one in asks
        if (found := held[one.feedstock].get(one.id)) is not None
    ]  # fmt: skip
    return BuildRecord(**fields | {"by": asked.by or by}, answers=tuple(known))


@router.get("/piles/{pile}/build")
def get_build(pile: str, parts: PartsHere, _: Viewer) -> BuildOut:
    held = find_pile(parts.registry, pile)
    return show(held, parts.registry.piles.notes(held.id))


@router.put("/piles/{pile}/build")
def put_build(pile: str, asked: BuildIn, parts: PartsHere, caller: Manager) -> BuildOut:
    """Takes the place of the record before; the field log keeps both."""
    held = find_pile(parts.registry, pile)
    answer = work_out(asked.mix, parts) if asked.mix is not None else None
    record = record_of(asked, answer, parts, caller.name)
    with parts.registry.begin() as tx:
        keep_build(
            tx, held, record, mix_as_built(answer, asked.water_l) if answer is not None else None, parts
        )
    return get_build(held.id, parts, caller)


def keep_build(
    tx: Registry, pile: Pile, record: BuildRecord, mix: dict[str, Any] | None, parts: Parts
) -> None:
    before = build_of(tx.piles.notes(pile.id))
    if before is not None:
        record = record.model_copy(update={"edition": before.edition + 1})
    tx.piles.add_note(build_note(pile.id, record, pile.built_at, parts.clock.now()))
    if mix is not None:
        tx.piles.change(pile.id, mix=mix)


@router.post("/piles/{pile}/checklist", status_code=201)
def post_checklist(pile: str, asked: CheckIn, parts: PartsHere, caller: Helper) -> BuildOut:
    """Tick steps; who ticked one first, and when, stays."""
    held = find_pile(parts.registry, pile)
    strange = [step for step in asked.steps if step not in STEP_IDS]
    if strange:
        raise unprocessable(
            "body.steps", f"no step called {strange[0]!r}; there are: {', '.join(sorted(STEP_IDS))}"
        )
    now = parts.clock.now()
    check_when(held, now, now)
    parts.registry.piles.add_note(check_note(held.id, asked.steps, caller.name, now))
    return get_build(held.id, parts, caller)
