"""Who else is told, and by which way, when a channel does not work. One copy for each other channel, however often and
by however many senders it is asked: the copy's id follows from the first notice and the channel."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import replace

from alerts.wording_trial import passed_on
from shared.episodes import SEVERITIES
from shared.links import link_key, readdressed
from shared.notices import Notice
from shared.people import Channel, ChannelKind, Person, Subscription
from shared.ports import NotFound, Registry
from shared.times import Millis

REASON = "channel_failed"
ROOT = "passed_on_from"  # the figure of a copy that names the first notice

ONE_SERVER: frozenset[ChannelKind] = frozenset(
    {"email", "mqtt"}
)  # all channels of such a kind go through one server


def tell_elsewhere(registry: Registry, notice: Notice, why: str, now: Millis, *, for_good: bool) -> bool:
    """Put copies of ``notice`` into the outbox for the next best channels: the person's own others, else those of the
    next person in line, else of whoever else wants such notices, else of everyone. False when there is none left.

    ``for_good`` False: the channel may work again soon, so other people are troubled only with what is urgent, and
    nothing goes a way that is most likely broken at the same place.
    """
    family = _family(registry, notice)
    if any(_promising(other) for other in family if other.id != notice.id):
        return True
    tried = {notice.channel_id, *(other.channel_id for other in family)}
    people = {person.id: person for person in registry.people.all()}
    kind = _kind(registry, notice)
    for ways in _ways(registry, people, notice):
        usable = [way for way in ways if way.id not in tried and (for_good or _fit(way, notice, kind))]
        if usable:
            for way in usable:
                registry.notices.put(_copy(registry, people, notice, way, why, now))
            return True
    return False


def _fit(way: Channel, notice: Notice, failing: ChannelKind) -> bool:
    if way.kind == failing and failing in ONE_SERVER:
        return False
    return way.person_id == notice.person_id or notice.severity == "urgent"


def _kind(registry: Registry, notice: Notice) -> ChannelKind:
    try:
        return registry.people.channel(notice.channel_id).kind
    except NotFound:
        return "url"


def root_of(notice: Notice) -> str:
    return str(notice.figures.get(ROOT) or notice.id)


def _family(registry: Registry, notice: Notice) -> list[Notice]:
    """The notice, its copies, and what the same person was told in the same breath by other channels."""
    root = root_of(notice)
    breath = (notice.person_id, notice.at, notice.reason)
    return [
        other
        for other in registry.notices.of_episode(notice.episode_id)
        if root_of(other) == root
        or ((other.person_id, other.at, other.reason) == breath and other.channel_id != notice.channel_id)
    ]


def _promising(notice: Notice) -> bool:
    """Sent, or about to be with nothing against it so far."""
    return notice.state == "sent" or (
        notice.state in {"waiting", "held", "sending"} and not notice.last_error
    )


def _ways(registry: Registry, people: dict[str, Person], notice: Notice) -> Iterator[list[Channel]]:
    usable: dict[str, list[Channel]] = {}
    for channel in registry.people.channels():
        if channel.disabled_at is None and channel.id != notice.channel_id:
            usable.setdefault(channel.person_id, []).append(channel)
    yield usable.get(notice.person_id, [])[:1]
    person = people.get(notice.person_id)
    yield usable.get(person.escalate_to or "", [])[:1] if person else []
    wanting = {s.person_id for s in registry.people.subscriptions() if _wants(s, notice)}
    yield [ways[0] for owner, ways in usable.items() if owner in wanting and owner != notice.person_id]
    yield [ways[0] for owner, ways in usable.items() if owner != notice.person_id]
    yield from ([way] for way in usable.get(notice.person_id, []))


def _wants(subscription: Subscription, notice: Notice) -> bool:
    asked: Sequence[bool] = (
        subscription.site in {None, notice.site},
        subscription.pile_id in {None, notice.pile_id},
        subscription.kinds is None or notice.kind in subscription.kinds,
        SEVERITIES.index(subscription.min_severity) <= SEVERITIES.index(notice.severity),
    )
    return all(asked)


def _copy(
    registry: Registry, people: dict[str, Person], notice: Notice, way: Channel, why: str, now: Millis
) -> Notice:
    root, reader = root_of(notice), people[way.person_id]
    line = passed_on(reader, people.get(notice.person_id, reader), _kind(registry, notice), why, now)
    first, *rest = notice.text.split("\n")
    key = link_key(registry.memory)
    return replace(
        notice,
        id=f"{root[:11]}{hashlib.sha256(f'{root} {way.id}'.encode()).hexdigest()[:12]}",
        person_id=reader.id,
        channel_id=way.id,
        reason=REASON,
        text=readdressed(key, "\n".join([first, line, *rest]), reader.id),
        links={name: readdressed(key, address, reader.id) for name, address in notice.links.items()},
        figures={**notice.figures, ROOT: root},
        state="waiting",
        not_before=None,
        tries=0,
        next_try_at=None,
        leased_until=None,
        sent_at=None,
        last_error="",
    )
