"""What a caller whose role does not hold on every site finds in each part of the registry. Anything else is refused."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any, TypeVar

from api.auth_narrow_field import Narrow, NarrowedPiles, NarrowedProbes, NarrowedSites
from api.auth_reach import Reach
from api.problems import ProblemError
from shared.episodes import Episode
from shared.imports import IMPORTS, ImportRecord
from shared.notices import Notice
from shared.people import Channel, Subscription, told_of
from shared.ports import Quarantined, Registry

Thing = TypeVar("Thing")

HIDDEN = "…"  # in place of where a channel leads


class _People(Narrow):
    """Those who are told of the caller's sites, by name; where they are reached is not shown."""

    def get(self, person_id: str) -> Any:
        if person_id not in self._told():
            self.reach.check(None, f"no person {person_id}")
        return self.part.get(person_id)

    def all(self) -> Any:
        told = self._told()
        return [person for person in self.part.all() if person.id in told]

    def channels(self, person_id: str | None = None) -> list[Channel]:
        told = self._told()
        return [
            replace(one, target=HIDDEN, secret=None)
            for one in self.part.channels(person_id)
            if one.person_id in told
        ]

    def _told(self) -> set[str]:
        """Whoever is subscribed to one of the sites, or to all, and those to whom these pass on."""
        return told_of(self.part.all(), self.part.subscriptions(), self._within)

    def subscriptions(self, person_id: str | None = None) -> list[Subscription]:
        return [one for one in self.part.subscriptions(person_id) if self._within(one)]

    def subscribe(self, subscription: Subscription) -> None:
        if not self._within(subscription):
            raise ProblemError(403, "Name one of your own sites: you cannot speak for every site.")
        self.part.subscribe(subscription)

    def unsubscribe(self, subscription_id: str) -> None:
        if subscription_id not in {one.id for one in self.subscriptions()}:
            self.reach.check(None, f"no subscription {subscription_id}")
        self.part.unsubscribe(subscription_id)

    def _within(self, one: Subscription) -> bool:
        sites = [site for site in (one.site, self.pile_site(one.pile_id)) if site is not None]
        return bool(sites) and all(self.reach.sees(site) for site in sites)


class _Episodes(Narrow):
    def get(self, episode_id: str) -> Any:
        episode = self.part.get(episode_id)
        self.reach.check(self._site(episode), f"no episode {episode_id}")
        return episode

    def put(self, episode: Episode) -> None:
        self.reach.check(self._site(episode))
        self.part.put(episode)

    def unresolved(self, pile_id: str | None = None) -> Any:
        return self.keep(self.part.unresolved(pile_id), self._site)

    def all(self, *, after: str = "", limit: int = 100, **which: Any) -> Any:
        return _whole_page(self.part.all, self._site, self.reach, after, limit, which)

    def _site(self, episode: Episode) -> str | None:
        return episode.site or self.pile_site(episode.pile_id)


class _Notices(Narrow):
    def get(self, notice_id: str) -> Any:
        notice = self.part.get(notice_id)
        self.reach.check(self._site(notice), f"no notice {notice_id}")
        return notice

    def of_episode(self, episode_id: str) -> Any:
        return self.keep(self.part.of_episode(episode_id), self._site)

    def all(self, *, after: str = "", limit: int = 100, **which: Any) -> Any:
        return _whole_page(self.part.all, self._site, self.reach, after, limit, which)

    def _site(self, notice: Notice) -> str | None:
        return notice.site or self.pile_site(notice.pile_id)


class _Quarantine(Narrow):
    def all(self, *, before: int | None = None, limit: int = 100) -> list[Quarantined]:
        kept: list[Quarantined] = []
        while len(kept) < limit:
            found = self.part.all(before=before, limit=limit)
            kept += self.keep(found, self._site)
            if len(found) < limit:
                break
            before = found[-1].id
        return kept[:limit]

    def remove(self, ids: Iterable[int]) -> None:
        wanted = list(ids)
        for id_ in wanted:
            found = self.part.all(before=id_ + 1, limit=1)
            self.reach.check(self._site(found[0]) if found else None)
        self.part.remove(wanted)

    @staticmethod
    def _site(message: Quarantined) -> str | None:
        levels = message.topic.split("/")
        return levels[1] if len(levels) > 2 and levels[0] == "turnbell" else None


class _Memory(Narrow):
    allowed = frozenset({"get", "names", "remember"})

    def set(self, name: str, value: str) -> None:
        """Of small facts only the record of an import belongs to a site."""
        if not name.startswith(IMPORTS):
            raise ProblemError(403, f"This needs the role {self.reach.needed} on every site.")
        self.reach.check(ImportRecord.model_validate_json(value).site)
        self.part.set(name, value)


_PARTS: dict[str, type[Narrow]] = {
    "sites": NarrowedSites, "piles": NarrowedPiles, "probes": NarrowedProbes, "people": _People, "episodes": _Episodes,
    "notices": _Notices, "quarantine": _Quarantine, "memory": _Memory,
}  # fmt: skip


def narrow(noun: str, whole: Registry, reach: Reach) -> Any:
    return _PARTS.get(noun, Narrow)(noun, whole, reach)


def _whole_page(
    fetch: Callable[..., list[Any]],
    site_of: Callable[[Any], str | None],
    reach: Reach,
    after: str,
    limit: int,
    which: dict[str, Any],
) -> list[Any]:
    """A page is only short when there is no more: the callers tell the end by that."""
    kept: list[Any] = []
    while True:
        found = fetch(after=after, limit=limit, **which)
        kept += [one for one in found if reach.sees(site_of(one))]
        if len(kept) >= limit or len(found) < limit:
            return kept[:limit]
        after = found[-1].id
