"""Who is told, of what, and what was sent: these parts of the registry."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Protocol

from shared.episodes import Episode, NoticeKind
from shared.notices import Notice
from shared.people import Channel, Person, Subscription
from shared.times import Millis


class People(Protocol):
    def add(self, person: Person) -> None: ...
    def get(self, person_id: str) -> Person: ...
    def all(self) -> list[Person]:
        """By name."""

    def change(self, person_id: str, **fields: Any) -> Person: ...
    def delete(self, person_id: str) -> None:
        """With all channels and subscriptions; whoever passed on to them passes on to nobody. What was not sent yet
        is withheld (``channel_deleted``); the record of what was sent stays."""

    def add_channel(self, channel: Channel) -> None: ...
    def channel(self, channel_id: str) -> Channel: ...
    def channels(self, person_id: str | None = None) -> list[Channel]: ...
    def change_channel(self, channel_id: str, **fields: Any) -> Channel: ...
    def delete_channel(self, channel_id: str) -> None:
        """What was not sent through it yet is withheld (``channel_deleted``)."""

    def subscribe(self, subscription: Subscription) -> None: ...
    def unsubscribe(self, subscription_id: str) -> None: ...
    def subscriptions(self, person_id: str | None = None) -> list[Subscription]: ...


class Episodes(Protocol):
    def put(self, episode: Episode) -> None:
        """Insert or replace by id. Conflict when another unresolved one has the same (kind, pile, site, subject)."""

    def get(self, episode_id: str) -> Episode: ...
    def unresolved(self, pile_id: str | None = None) -> list[Episode]:
        """By opened_at."""

    def unresolved_of(self, pile_ids: Iterable[str]) -> dict[str, list[Episode]]:
        """What ``unresolved`` gives for each, with fewer questions to the store."""

    def all(
        self, *, pile_id: str | None = None, kind: NoticeKind | None = None, after: str = "", limit: int = 100
    ) -> list[Episode]:
        """Newest first; ``after`` = the id of the last one of the page before."""


class Notices(Protocol):
    """The outbox and its history."""

    def put(self, notice: Notice) -> bool:
        """Insert unless the id is there already; True when inserted."""

    def get(self, notice_id: str) -> Notice: ...
    def change(self, notice_id: str, **fields: Any) -> Notice: ...
    def claim(self, now: Millis, lease_ms: int, limit: int) -> list[Notice]:
        """Lease what is due (waiting, held past not_before, or sending past its lease), oldest first, and mark it
        ``sending``. No two callers get the same notice while its lease runs."""

    def of_episode(self, episode_id: str) -> list[Notice]:
        """By at."""

    def all(
        self, *, pile_id: str | None = None, kind: str | None = None, person_id: str | None = None,
        after: str = "", limit: int = 100,
    ) -> list[Notice]:  # fmt: skip
        """Newest first."""

    def next_due(self) -> Millis | None:
        """When the next claim could find something."""
