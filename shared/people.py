"""Who is told, by which way, and who may do what."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Literal

from shared.times import Millis
from shared.units import Units

ChannelKind = Literal["email", "webhook", "mqtt", "url"]
Role = Literal["viewer", "helper", "manager"]
ROLES: tuple[Role, ...] = ("viewer", "helper", "manager")  # each may do what the one before may


@dataclass(frozen=True, slots=True)
class Person:
    id: str
    name: str
    zone: str
    units: Units = "celsius"
    language: str = "en"
    on_duty: str = ""  # "" = always; else weekly hours such as "Mon-Fri 07:00-18:00"
    escalate_to: str | None = None  # the person told when this one does not answer


@dataclass(frozen=True, slots=True)
class Channel:
    id: str
    person_id: str
    kind: ChannelKind
    target: str = field(repr=False)  # address, URL or topic; tokens stand in it
    secret: str | None = field(default=None, repr=False)
    disabled_at: Millis | None = None
    disabled_why: str = ""


@dataclass(frozen=True, slots=True)
class Subscription:
    """Who wants what. None = all."""

    id: str
    person_id: str
    site: str | None = None
    pile_id: str | None = None
    kinds: tuple[str, ...] | None = None
    min_severity: Literal["info", "act", "urgent"] = "info"


def told_of(
    people: Iterable[Person], subscriptions: Iterable[Subscription], within: Callable[[Subscription], bool]
) -> set[str]:
    """Ids of those who are subscribed ``within``, or to everything, and of those to whom these pass on."""
    on_to = {person.id: person.escalate_to for person in people}
    told: set[str] = set()
    for one in subscriptions:
        following: str | None = one.person_id
        if within(one) or (one.site is None and one.pile_id is None):
            while following is not None and following in on_to and following not in told:
                told.add(following)
                following = on_to[following]
    return told


@dataclass(frozen=True, slots=True)
class Token:
    """A bearer token as stored: only its SHA-256."""

    id: str
    name: str
    role: Role
    created_at: Millis
    digest: str = field(repr=False)
    expires_at: Millis | None = None
    last_used_at: Millis | None = None
    site: str | None = None  # None = every site
    purpose: dict[str, Any] | None = None  # a signed link's single purpose, else None


def role_allows(held: Role, needed: Role) -> bool:
    return ROLES.index(held) >= ROLES.index(needed)
