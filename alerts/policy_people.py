"""Who wants to hear of an episode. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

from alerts.conditions.service_trouble import RADIO
from shared.episodes import SEVERITIES, Episode
from shared.people import Channel, Person, Subscription


@dataclass(frozen=True)
class Directory:
    """All people, their channels and what they asked for, read once for a tick."""

    people: Sequence[Person] = ()
    channels: Sequence[Channel] = ()
    subscriptions: Sequence[Subscription] = ()

    @cached_property
    def by_id(self) -> dict[str, Person]:
        return {person.id: person for person in self.people}

    @cached_property
    def _ways(self) -> dict[str, list[Channel]]:
        ways: dict[str, list[Channel]] = {}
        for channel in self.channels:
            if channel.disabled_at is None:
                ways.setdefault(channel.person_id, []).append(channel)
        return ways

    @cached_property
    def mark(self) -> int:
        """Differs whenever something about someone differs."""
        return hash((tuple(self.people), tuple(self.channels), tuple(self.subscriptions)))

    def ways_to(self, person_id: str) -> Sequence[Channel]:
        return self._ways.get(person_id, ())

    def audience(self, episode: Episode) -> list[Person]:
        """Who subscribed to it, each once, by name."""
        wanted = {s.person_id for s in self.subscriptions if wants(s, episode)}
        return [person for person in self.people if person.id in wanted]


def wants(subscription: Subscription, episode: Episode) -> bool:
    """Trouble of the service concerns whoever watches anything; a site's silence whoever asked for silent probes."""
    if SEVERITIES.index(episode.severity) < SEVERITIES.index(subscription.min_severity):
        return False
    if subscription.kinds is not None and not _kinds(episode) & set(subscription.kinds):
        return False
    if subscription.pile_id is not None and subscription.pile_id != episode.pile_id:
        return False
    return subscription.site is None or episode.site is None or subscription.site == episode.site


def _kinds(episode: Episode) -> set[str]:
    silent_site = episode.kind == "service_trouble" and episode.subject == RADIO
    return {episode.kind, "probe_silent"} if silent_site else {episode.kind}


@dataclass(frozen=True, slots=True)
class Heard:
    """What one person has been told of one episode so far."""

    first_at: int
    last_at: int
    reminders: int
    escalated: bool = False


@dataclass(frozen=True, slots=True)
class Told:
    """Who has been told of an episode. A notice that waits for the morning counts as told then."""

    by_person: dict[str, Heard] = field(default_factory=dict)

    def __contains__(self, person_id: object) -> bool:
        return person_id in self.by_person
