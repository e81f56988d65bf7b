"""Causing many notices, and reading what arrived of them."""

from __future__ import annotations

import email
import json

from shared.people import Channel, Person
from shared.ports import Registry
from shared.settings import Settings
from tests.alerts.channels.servers import Got, HttpSink, SmtpSink
from tests.alerts.outbox.yard import episode, notice

OPEN = Settings.model_validate({"web": {"allow_private_webhooks": True}})


def said(sink: HttpSink, since: int = 0) -> list[tuple[str, str]]:
    return [(got.headers["idempotency-key"], words_of(got)) for got in sink.got[since:]]


def words_of(got: Got) -> str:
    said_there = json.loads(got.body)
    return f"{said_there['episode']} {said_there['reason']} {said_there['text']}"


def posted(sink: SmtpSink) -> list[tuple[str, str]]:
    messages = [email.message_from_bytes(letter.content) for letter in sink.letters]
    return [
        (m["Message-ID"].strip("<>").partition("@")[0], f"{m['References']} {m['Subject']}") for m in messages
    ]


def all_sent(registry: Registry, count: int) -> bool:
    if registry.notices.next_due() is not None:  # cheap to ask, for it is asked again and again
        return False
    found = registry.notices.all(limit=10_000)
    return len(found) == count and all(n.state == "sent" for n in found)


def hooks(registry: Registry, url: str, count: int) -> list[Channel]:
    """So many people with a webhook each."""
    channels = []
    for number in range(count):
        registry.people.add(Person(f"w-{number}", f"Worker {number}", "Europe/Dublin"))
        channels.append(Channel(f"hook-{number}", f"w-{number}", "webhook", f"{url}/{number}"))
        registry.people.add_channel(channels[-1])
    return channels


def cause(registry: Registry, channels: list[Channel], count: int) -> list[str]:
    """So many notices, in one transaction, each of an episode of its own."""
    with registry.begin() as tx:
        for number in range(count):
            way = channels[number % len(channels)]
            tx.episodes.put(episode(f"e-{number:04}", subject=f"s-{number:04}"))
            tx.notices.put(
                notice(
                    f"n-{number:04}",
                    way.id,
                    way.person_id,
                    episode_id=f"e-{number:04}",
                    title=f"Pile {number}",
                )
            )
    return [f"n-{number:04}" for number in range(count)]
