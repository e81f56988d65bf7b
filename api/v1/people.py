"""People who are told."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from pydantic import AfterValidator, Field

from api.auth import Helper, Manager
from api.parts import PartsHere
from api.problems import unprocessable
from api.v1.wire import PAGE, PREFIX, Cursor, In, Limit, Line, Out, Page, Ref, ShortText, ZoneName, page_of
from shared.ids import new_id
from shared.people import Person
from shared.ports import NotFound, Registry
from shared.units import Units
from shared.weekly_hours import parse_weekly_hours


def _hours(text: str) -> str:
    parse_weekly_hours(text)
    return text


Hours = Annotated[ShortText, AfterValidator(_hours)]
Language = Annotated[str, Field(pattern=r"^[A-Za-z]{2,3}([-_][A-Za-z0-9]{2,8})?$")]

router = APIRouter(prefix=PREFIX, tags=["people"])


class PersonIn(In):
    name: Line
    zone: ZoneName
    units: Units
    language: Language = "en"
    on_duty: Hours = Field("", description="always, or weekly hours such as Mon-Fri 07:00-18:00")
    escalate_to: Ref | None = None


class PersonChange(In):
    """Only the fields that are sent change."""

    name: Line | None = None
    zone: ZoneName | None = None
    units: Units | None = None
    language: Language | None = None
    on_duty: Hours | None = None
    escalate_to: Ref | None = None


class PersonOut(Out):
    id: str
    name: str
    zone: str
    units: Units
    language: str
    on_duty: str
    escalate_to: str | None


def show(person: Person) -> PersonOut:
    return PersonOut(
        id=person.id,
        name=person.name,
        zone=person.zone,
        units=person.units,
        language=person.language,
        on_duty=person.on_duty,
        escalate_to=person.escalate_to,
    )


@router.post("/people", status_code=201)
def add_person(asked: PersonIn, parts: PartsHere, _: Manager) -> PersonOut:
    _check_other(parts.registry, asked.escalate_to)
    person = Person(id=new_id(parts.clock.now()), **asked.model_dump())
    parts.registry.people.add(person)
    return show(person)


@router.get("/people")
def list_people(parts: PartsHere, _: Helper, cursor: Cursor = None, limit: Limit = PAGE) -> Page[PersonOut]:
    """By name."""
    return page_of(parts.registry.people.all(), show, lambda person: (person.name, person.id), cursor, limit)


@router.get("/people/{person}")
def get_person(person: str, parts: PartsHere, _: Helper) -> PersonOut:
    return show(parts.registry.people.get(person))


@router.patch("/people/{person}")
def change_person(person: str, asked: PersonChange, parts: PartsHere, _: Manager) -> PersonOut:
    fields = {name: getattr(asked, name) for name in asked.model_fields_set}
    for name, value in fields.items():
        if value is None and name != "escalate_to":
            raise unprocessable(f"body.{name}", "cannot be taken away")
    if fields.get("escalate_to") == person:
        raise unprocessable("body.escalate_to", "must be somebody else")
    _check_other(parts.registry, fields.get("escalate_to"))
    held = parts.registry.people.get(person)
    return show(parts.registry.people.change(held.id, **fields) if fields else held)


@router.delete("/people/{person}", status_code=204)
def delete_person(person: str, parts: PartsHere, _: Manager) -> None:
    """With all their channels and subscriptions. What they were told stays on record."""
    parts.registry.people.delete(person)


def _check_other(registry: Registry, person_id: str | None) -> None:
    if person_id is None:
        return
    try:
        registry.people.get(person_id)
    except NotFound as error:
        raise unprocessable("body.escalate_to", str(error)) from None
