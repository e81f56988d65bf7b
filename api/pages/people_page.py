"""People: who is told, by which way, of what."""

from __future__ import annotations

from typing import Annotated, get_args

from fastapi import APIRouter, Form
from fastapi.responses import RedirectResponse, Response

from api.auth import Helper, Manager
from api.pages.forms import Text, read
from api.pages.view import AnyView
from api.problems import ProblemError
from api.v1 import channels, people, subscriptions
from shared.episodes import SEVERITIES, NoticeKind

router = APIRouter(include_in_schema=False)
_CHANNELS = {
    "email": (channels.EmailIn, "address"),
    "webhook": (channels.WebhookIn, "url"),
    "mqtt": (channels.MqttIn, "topic"),
    "url": (channels.UrlIn, "url"),
}


@router.get("/people")
def people_page(view: AnyView, caller: Helper) -> Response:
    registry = view.parts.registry
    return view.page(
        "people.html",
        people=[
            (
                person,
                [channels.show(one, caller) for one in registry.people.channels(person.id)],
                registry.people.subscriptions(person.id),
            )
            for person in registry.people.all()
        ],
        names={one.id: one.name for one in registry.people.all()},
        sites={site.slug: site for site in registry.sites.all()},
        piles={pile.id: pile for pile in registry.piles.all()},
        open_piles=registry.piles.all(open_only=True),
        kinds=get_args(NoticeKind),
        severities=SEVERITIES,
    )


@router.post("/people")
def add_person(
    view: AnyView,
    caller: Manager,
    name: Text,
    zone: Text,
    units_: Annotated[str, Form(alias="units")] = "celsius",
) -> RedirectResponse:
    made = people.add_person(read(people.PersonIn, name=name, zone=zone, units=units_), view.parts, caller)
    return view.back(f"/people#{made.id}", f"{made.name} is added. Now give a way to reach them.")


@router.post("/people/{person_id}")
def change_person(
    person_id: str,
    view: AnyView,
    caller: Manager,
    name: Text,
    zone: Text,
    units_: Annotated[str, Form(alias="units")] = "celsius",
    on_duty: Text = "",
    escalate_to: Text = "",
) -> RedirectResponse:
    asked = read(
        people.PersonChange,
        name=name,
        zone=zone,
        units=units_,
        on_duty=on_duty,
        escalate_to=escalate_to or None,
    )
    people.change_person(person_id, asked, view.parts, caller)
    return view.back(f"/people#{person_id}", "Kept.")


@router.post("/people/{person_id}/channels")
def add_channel(
    person_id: str, view: AnyView, caller: Manager, kind: Text, target: Text, secret: Text = ""
) -> RedirectResponse:
    if kind not in _CHANNELS:
        raise ProblemError(422, f"There is no way of the kind {kind!r}.")
    model, field = _CHANNELS[kind]
    fields: dict[str, object] = {"kind": kind, field: target.strip()}
    if kind == "webhook" and secret:
        fields["secret"] = secret
    channels.add_channel(person_id, read(model, **fields), view.parts, caller)
    return view.back(f"/people#{person_id}", "Kept. Send a test message to see that it arrives.")


@router.post("/channels/{channel_id}/test")
def test_channel(channel_id: str, view: AnyView, caller: Manager) -> RedirectResponse:
    result = channels.try_channel(channel_id, view.parts, caller)
    return view.back(
        "/people", "The test message was accepted." if result.accepted else f"Not sent: {result.why}"
    )


@router.post("/channels/{channel_id}/switch")
def switch_channel(channel_id: str, view: AnyView, caller: Manager, disabled: Text) -> RedirectResponse:
    off = disabled == "yes"
    channels.change_channel(channel_id, read(channels.ChannelChange, disabled=off), view.parts, caller)
    return view.back("/people", "Switched off." if off else "Switched on again.")


@router.post("/people/{person_id}/subscriptions")
def subscribe(
    person_id: str,
    view: AnyView,
    caller: Manager,
    site: Text = "",
    pile: Text = "",
    min_severity: Text = "info",
    kinds: Annotated[list[str] | None, Form()] = None,
) -> RedirectResponse:
    asked = read(
        subscriptions.SubscriptionIn,
        person=person_id,
        site=site or None,
        pile=pile or None,
        kinds=kinds or None,
        min_severity=min_severity,
    )
    subscriptions.subscribe(asked, view.parts, caller)
    return view.back(f"/people#{person_id}", "Kept.")


@router.post("/subscriptions/{subscription_id}/end")
def unsubscribe(subscription_id: str, view: AnyView, caller: Manager) -> RedirectResponse:
    subscriptions.unsubscribe(subscription_id, view.parts, caller)
    return view.back("/people", "Ended.")
