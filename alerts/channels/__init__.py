"""The ways to reach a person: one file each, and one line in the table."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from alerts.channels.mail import MailSender
from alerts.channels.mqtt import MqttSender
from alerts.channels.port import Parcel, Sender, SendError
from alerts.channels.url import UrlSender
from alerts.channels.webhook import WebhookSender
from alerts.wording_trial import trial
from shared.ids import new_id
from shared.notices import Notice
from shared.people import ChannelKind
from shared.ports import NotFound, Registry
from shared.settings import Settings
from shared.times import Clock

SENDERS: Mapping[ChannelKind, Callable[[Settings], Sender]] = {
    "email": MailSender,
    "webhook": WebhookSender,
    "mqtt": MqttSender,
    "url": UrlSender,
}


def test_send(registry: Registry, settings: Settings, clock: Clock, channel_id: str) -> str:
    """Try a channel now: "" when the message was accepted, else why not. A disabled channel that works is enabled."""
    try:
        channel = registry.people.channel(channel_id)
        person = registry.people.get(channel.person_id)
    except NotFound:
        return f"there is no channel {channel_id}"
    now = clock.now()
    title, text = trial(person, now)
    notice = Notice(
        id=new_id(now),
        episode_id="trial",
        kind="service_trouble",
        severity="info",
        person_id=person.id,
        channel_id=channel.id,
        reason="trial",
        at=now,
        title=title,
        text=text,
    )
    try:
        SENDERS[channel.kind](settings).send(Parcel(notice, channel, person))
    except SendError as error:
        return error.why
    if channel.disabled_at is not None:
        registry.people.change_channel(channel.id, disabled_at=None, disabled_why="")
    return ""
