"""The ways to reach a person. Secrets go in and never come out."""

from __future__ import annotations

from typing import Annotated, Literal
from urllib.parse import urlsplit

from fastapi import APIRouter, Body
from pydantic import Field

from api.auth import Caller, Helper, Manager
from api.auth_narrow import HIDDEN
from api.channel_targets import Address, ServiceUrl, Topic, WebhookUrl
from api.parts import PartsHere
from api.v1.wire import PAGE, PREFIX, At, Cursor, In, Limit, Out, Page, page_of
from shared.ids import new_id
from shared.people import Channel, ChannelKind

router = APIRouter(prefix=PREFIX, tags=["channels"])


class EmailIn(In):
    kind: Literal["email"]
    address: Address


class WebhookIn(In):
    kind: Literal["webhook"]
    url: WebhookUrl
    secret: Annotated[str, Field(min_length=1, max_length=500)] | None = None


class MqttIn(In):
    kind: Literal["mqtt"]
    topic: Topic


class UrlIn(In):
    """Any address that the notification library understands."""

    kind: Literal["url"]
    url: ServiceUrl


ChannelIn = EmailIn | WebhookIn | MqttIn | UrlIn


class ChannelChange(In):
    disabled: bool


class ChannelOut(Out):
    """``target`` is cut where it may hold a key: a url's everything but its scheme; a webhook's path for helpers."""

    id: str
    person: str
    kind: ChannelKind
    target: str
    has_secret: bool
    disabled_at: At | None
    disabled_why: str


class SendResult(Out):
    accepted: bool
    why: str = Field(description="why not, when it was not accepted")


def show(channel: Channel, caller: Caller) -> ChannelOut:
    return ChannelOut(
        id=channel.id,
        person=channel.person_id,
        kind=channel.kind,
        target=_shown_target(channel, caller),
        has_secret=channel.secret is not None,
        disabled_at=channel.disabled_at,
        disabled_why=channel.disabled_why,
    )


@router.post("/people/{person}/channels", status_code=201)
def add_channel(
    person: str, asked: Annotated[ChannelIn, Body(discriminator="kind")], parts: PartsHere, caller: Manager
) -> ChannelOut:
    channel = Channel(
        id=new_id(parts.clock.now()),
        person_id=parts.registry.people.get(person).id,
        kind=asked.kind,
        target=_target(asked),
        secret=asked.secret if isinstance(asked, WebhookIn) else None,
    )
    parts.registry.people.add_channel(channel)
    return show(channel, caller)


@router.get("/people/{person}/channels")
def list_channels(
    person: str, parts: PartsHere, caller: Helper, cursor: Cursor = None, limit: Limit = PAGE
) -> Page[ChannelOut]:
    """In the order they were made."""
    found = parts.registry.people.channels(parts.registry.people.get(person).id)
    return page_of(found, lambda one: show(one, caller), lambda one: (one.id,), cursor, limit)


@router.patch("/channels/{channel}")
def change_channel(channel: str, asked: ChannelChange, parts: PartsHere, caller: Manager) -> ChannelOut:
    """Switch it off, or on again after it was given up."""
    held = parts.registry.people.channel(channel)
    if asked.disabled:
        changed = parts.registry.people.change_channel(
            held.id, disabled_at=parts.clock.now(), disabled_why=f"switched off by {caller.name}"
        )
    else:
        changed = parts.registry.people.change_channel(held.id, disabled_at=None, disabled_why="")
    return show(changed, caller)


@router.delete("/channels/{channel}", status_code=204)
def delete_channel(channel: str, parts: PartsHere, _: Manager) -> None:
    """What was not sent through it yet is withheld."""
    parts.registry.people.delete_channel(channel)


@router.post("/channels/{channel}/test")
def try_channel(channel: str, parts: PartsHere, _: Manager) -> SendResult:
    """Send a test message now."""
    why = parts.test_send(parts.registry.people.channel(channel).id)
    return SendResult(accepted=not why, why=why)


def _target(asked: ChannelIn) -> str:
    if isinstance(asked, EmailIn):
        return asked.address
    return asked.topic if isinstance(asked, MqttIn) else asked.url


def _shown_target(channel: Channel, caller: Caller) -> str:
    if channel.target == HIDDEN:
        return channel.target
    if channel.kind == "url":
        return f"{channel.target.partition('://')[0]}://…"
    if channel.kind == "webhook":
        parts = urlsplit(channel.target)
        host = parts.netloc.rpartition("@")[2]
        return f"{parts.scheme}://{host}{parts.path if caller.may('manager') else '/…'}"
    return channel.target
