"""Looks at places, each in a transaction that commits only while the place is still this watch's.

What the looks share stands here: which sites are silent as a whole, which piles whoever is called to a site would hear of
too, and the place at work, so that one at which the loop falls over can be set aside.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager

from alerts.agenda import Agenda
from alerts.ahead import Ahead
from alerts.conditions.service_trouble import RADIO, judge
from alerts.conditions.turn_soon import AHEAD_MS
from alerts.deadlines import Place
from alerts.gathering import Gatherer
from alerts.judging import Judging
from alerts.policy_people import Directory
from alerts.sharing import Share
from alerts.snapshot import Snapshot
from shared.episodes import Episode
from shared.ports import NotFound, Registry
from shared.times import MINUTE, Millis

CHUNK = 25  # piles of one transaction
SITE_EVERY_MS = 30 * MINUTE
SERVICE = Place("service")


class Looks:
    def __init__(self, registry: Registry, gatherer: Gatherer, share: Share, agenda: Agenda) -> None:
        self._registry, self._gatherer, self._share, self._agenda = registry, gatherer, share, agenda
        self.ahead = Ahead()
        self.at_work: Place | None = None
        self._dark: dict[str, Episode] = {}  # site -> its silence, while it lasts
        self._sites_looked_at: set[str] = set()

    def begin_tick(self) -> None:
        self._sites_looked_at.clear()

    def unresolved(self, episodes: Iterable[Episode]) -> None:
        """All there are in the registry: it says which sites are silent."""
        self._dark = {
            episode.site: episode
            for episode in episodes
            if episode.kind == "service_trouble" and episode.subject == RADIO and episode.site
        }

    @contextmanager
    def beginning(self) -> Iterator[Registry]:
        self._share.keep()
        with self._registry.begin() as tx:
            self._share.guard(tx)
            yield tx

    def service(self, snapshot: Snapshot, judging: Judging, *, anew: bool) -> None:
        with self.beginning() as tx:
            judging.look(tx, snapshot, "service", _at(tx.episodes.unresolved(), SERVICE), anew=anew)

    def site(self, place: Place, now: Millis, judging: Judging) -> None:
        snapshot = self._gatherer.site(place.name, now)
        with self.beginning() as tx:
            unresolved = (
                _at(tx.episodes.unresolved(), place) if place.name in self._dark or bad(snapshot) else []
            )
            looked = judging.look(tx, snapshot, "site", unresolved, anew=self._agenda.anew(place))
        again = looked.look_again_at
        self._agenda.plan(place, Millis(now + SITE_EVERY_MS) if again is None else again)
        self._sites_looked_at.add(place.name)
        for change in looked.changes:
            if change.episode.subject != RADIO:
                continue
            if change.episode.state != "resolved":
                self._dark[place.name] = change.episode
            elif self._dark.pop(place.name, None) is not None:
                for episode in self._registry.episodes.unresolved():
                    if episode.site == place.name and episode.kind == "probe_silent":
                        self._agenda.add(place_of(episode), anew=True)

    def piles_ahead(self, now: Millis, judging: Judging) -> None:
        """Those of sites to which someone is called anyway, with the turns that come before the next round."""
        places = self.ahead.wanted(now)
        for start in range(0, len(places), CHUNK):
            self.piles(places[start : start + CHUNK], now, judging, ahead_ms=AHEAD_MS)

    def piles(self, places: Sequence[Place], now: Millis, judging: Judging, *, ahead_ms: int = 0) -> None:
        """In one transaction."""
        snapshots: list[tuple[Place, Snapshot]] = []
        self._gatherer.expect((place.name for place in places), now, self._share.keep)
        for place in places:
            self.at_work = place
            self._share.keep()  # a first report takes its time
            try:
                snapshots.append((place, self._gatherer.pile(place.name, now, ahead_ms=ahead_ms)))
            except NotFound:
                self._agenda.plan(place, None)
        for snapshot in (found for _, found in snapshots if found.radio is not None):
            slug = snapshot.site.slug if snapshot.site else ""
            if slug and slug not in self._sites_looked_at:  # is it the probe, or the whole site?
                self.site(Place("site", slug), now, judging)
        again: dict[Place, Millis | None] = {}
        with self.beginning() as tx:
            unresolved = tx.episodes.unresolved_of(place.name for place, _ in snapshots)
            for place, snapshot in snapshots:
                self.at_work = place
                looked = judging.look(
                    tx,
                    snapshot,
                    "pile",
                    unresolved[place.name],
                    told_of_parent=self._told_of_parent(snapshot, judging.directory),
                    anew=self._agenda.anew(place),
                )
                again[place] = looked.look_again_at
                self.ahead.saw(snapshot, looked.changes)
        self.at_work = None
        for place, at in again.items():
            self._agenda.plan(place, at)

    def _told_of_parent(self, snapshot: Snapshot, directory: Directory) -> frozenset[str]:
        parent = self._dark.get(snapshot.site.slug) if snapshot.site else None
        return frozenset(p.id for p in directory.audience(parent)) if parent else frozenset()


def place_of(episode: Episode) -> Place:
    if episode.pile_id is not None:
        return Place("pile", episode.pile_id)
    return Place("site", episode.site) if episode.site is not None else SERVICE


def bad(snapshot: Snapshot) -> bool:
    return any(verdict.state == "bad" for verdict in judge(snapshot))


def _at(episodes: Iterable[Episode], place: Place) -> list[Episode]:
    return [episode for episode in episodes if place_of(episode) == place]
