"""Who wants to be told of what."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from pydantic import Field

from api.auth import Helper, Manager
from api.parts import PartsHere
from api.problems import unprocessable
from api.v1.lookup import check_site, named_pile
from api.v1.wire import PAGE, PREFIX, Cursor, In, Limit, Out, Page, Ref, Slug, page_of
from shared.episodes import NoticeKind, Severity
from shared.ids import new_id
from shared.people import Subscription
from shared.ports import NotFound

router = APIRouter(prefix=PREFIX, tags=["subscriptions"])


class SubscriptionIn(In):
    """What is left out stands for all."""

    person: Ref
    site: Slug | None = None
    pile: Ref | None = None
    kinds: Annotated[list[NoticeKind], Field(min_length=1, max_length=50)] | None = None
    min_severity: Severity = "info"


class SubscriptionOut(Out):
    id: str
    person: str
    site: str | None
    pile: str | None
    kinds: list[str] | None
    min_severity: Severity


def show(subscription: Subscription) -> SubscriptionOut:
    return SubscriptionOut(
        id=subscription.id,
        person=subscription.person_id,
        site=subscription.site,
        pile=subscription.pile_id,
        kinds=None if subscription.kinds is None else list(subscription.kinds),
        min_severity=subscription.min_severity,
    )


@router.post("/subscriptions", status_code=201)
def subscribe(asked: SubscriptionIn, parts: PartsHere, _: Manager) -> SubscriptionOut:
    registry = parts.registry
    try:
        person = registry.people.get(asked.person)
    except NotFound as error:
        raise unprocessable("body.person", str(error)) from None
    if asked.site is not None:
        check_site(registry, asked.site, "body.site")
    pile = None if asked.pile is None else named_pile(registry, asked.pile, "body.pile")
    subscription = Subscription(
        id=new_id(parts.clock.now()),
        person_id=person.id,
        site=asked.site,
        pile_id=None if pile is None else pile.id,
        kinds=None if asked.kinds is None else tuple(dict.fromkeys(asked.kinds)),
        min_severity=asked.min_severity,
    )
    registry.people.subscribe(subscription)
    return show(subscription)


@router.get("/subscriptions")
def list_subscriptions(
    parts: PartsHere, _: Helper, person: str | None = None, cursor: Cursor = None, limit: Limit = PAGE
) -> Page[SubscriptionOut]:
    """By person."""
    found = parts.registry.people.subscriptions(person)
    return page_of(found, show, lambda one: (one.person_id, one.id), cursor, limit)


@router.delete("/subscriptions/{subscription}", status_code=204)
def unsubscribe(subscription: str, parts: PartsHere, _: Manager) -> None:
    parts.registry.people.unsubscribe(subscription)
