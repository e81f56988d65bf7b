"""The watch: looks at what has changed and at what is due, and stores what follows. Telling people is another loop.

One ``now`` for a tick. A pile that changed is looked at once; all that it leads to commits in one transaction. A crash
before that leaves nothing, and the next tick comes to the same.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from alerts.conditions.service_trouble import RADIO, judge
from alerts.deadlines import Deadlines, Place
from alerts.gathering import Gatherer
from alerts.judging import Judging
from alerts.machine_watch import MachineWatch
from alerts.messages import Messages
from alerts.mornings import Mornings
from alerts.policy_people import Directory
from alerts.policy_times import Quiet
from alerts.snapshot import Snapshot
from alerts.telling import answer_of
from alerts.wording import link_writer
from shared.episodes import Episode
from shared.heat.catalogue import Catalogue
from shared.ports import NotFound, Registry, StorageError
from shared.settings import Settings
from shared.times import MINUTE, SECOND, Clock, Millis

if TYPE_CHECKING:
    from shared.heat_book import HeatBook

log = logging.getLogger(__name__)

POLL_S = 0.5
STORE_PAUSE_S = 1.0
CHUNK = 25  # piles of one transaction
PILES_A_TICK = 500  # the rest waits for the next one, so that ``now`` stays the present also after a start
SWEEP_MS = 20 * SECOND
SERVICE_EVERY_MS = 5 * SECOND
SITE_EVERY_MS = 30 * MINUTE
UNFIT_PAUSE_MS = 10 * MINUTE


def _no_beat() -> None:
    pass


class WatchLoop:
    name = "watch"

    def __init__(
        self,
        registry: Registry,
        book: HeatBook,
        settings: Settings,
        clock: Clock,
        catalogue: Catalogue,
        *,
        machine: MachineWatch | None = None,
    ) -> None:
        self._registry, self._book, self._settings, self._clock = registry, book, settings, clock
        self._quiet = Quiet(settings.quiet_hours.from_, settings.quiet_hours.to)
        self._links = link_writer(registry.memory, settings.web.public_url)
        self._gatherer = Gatherer(registry, book, catalogue)
        self._mornings = Mornings(registry, book, settings.notices.morning_round, self._quiet)
        self._machine = machine or MachineWatch(self.name)
        self._deadlines = Deadlines()
        self._piles: dict[str, bool] = {}  # to be looked at -> whether to weigh its episodes anew
        self._places: dict[Place, bool] = {}  # sites and the service, likewise
        self._directory = Directory()
        self._known_mark: int | None = None
        self._dark: dict[str, Episode] = {}  # site -> its silence, while it lasts
        self._service_open = True  # until the first sweep says otherwise
        self._swept_at: int | None = None
        self._serviced_at: int | None = None
        self._sites_looked_at: set[str] = set()
        self._at_work: str | None = None

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        self._set_unfit_aside()
        while not stop.is_set():
            try:
                self.tick(self._clock.now(), beat, stop)
            except StorageError as error:
                if self._machine.store_failed(error):
                    log.warning("loop=watch event=store_lost error=%s", error)
                stop.wait(STORE_PAUSE_S)
                continue
            if self._machine.store_works():
                log.info("loop=watch event=store_back")
            beat()
            if not self._piles:
                stop.wait(POLL_S)

    def tick(
        self,
        now: Millis,
        beat: Callable[[], None] = _no_beat,
        stop: threading.Event | None = None,
    ) -> int:
        """Look at everything that changed or is due at ``now``; gives how many piles were looked at.

        Raises StorageError when a store fails; what was not looked at stays to be.
        """
        self._gatherer.refresh()
        self._sites_looked_at.clear()
        self._sweep_perhaps(now)
        self._service_perhaps(now)
        for pile_id in self._book.poll(self.name):
            self._piles.setdefault(pile_id, False)
        mornings = self._take_due(now)
        judging: Judging | None = None
        if self._piles or self._places or mornings:
            self._directory = self._read_directory()
            judging = Judging(self._directory, self._quiet, self._links)
        looked = 0
        if judging is not None:
            for place in list(self._places):
                self._look_at_site(place, now, judging)
            looked = self._look_at_piles(now, judging, beat, stop)
            for person_id in mornings:
                self._tell_morning(person_id, now)
        return looked

    # -- what is to be looked at

    def _take_due(self, now: Millis) -> list[str]:
        mornings = []
        for place in self._deadlines.due(now):
            if place.scope == "pile":
                self._piles.setdefault(place.name, False)
            elif place.scope == "morning":
                mornings.append(place.name)
            else:
                self._places.setdefault(place, False)
        return mornings

    def _sweep_perhaps(self, now: Millis) -> None:
        """Every now and then: what people answered, who is there to be told, which sites there are."""
        if self._swept_at is not None and 0 <= now - self._swept_at < SWEEP_MS:
            return
        first = self._swept_at is None
        directory = self._read_directory()
        anew = self._known_mark not in {None, directory.mark}
        self._known_mark, self._directory = directory.mark, directory
        self._service_open = False
        dark: dict[str, Episode] = {}
        for episode in self._registry.episodes.unresolved():
            place = _place_of(episode)
            if place.scope == "service":
                self._service_open = True
            if episode.kind == "service_trouble" and episode.subject == RADIO and episode.site:
                dark[episode.site] = episode
            if anew or first or episode.holds.get("seen") != answer_of(episode):
                self._mark(place, anew=anew)
        self._dark = dark
        for slug in self._gatherer.sites():
            if Place("site", slug) not in self._deadlines:
                self._mark(Place("site", slug), anew=False)
        for person in directory.people:
            if Place("morning", person.id) not in self._deadlines:
                self._deadlines.set(Place("morning", person.id), self._mornings.next_at(person, now))
        self._swept_at = now

    def _mark(self, place: Place, *, anew: bool) -> None:
        if place.scope == "pile":
            self._piles[place.name] = self._piles.get(place.name, False) or anew
        else:
            self._places[place] = self._places.get(place, False) or anew

    def _read_directory(self) -> Directory:
        people = self._registry.people
        return Directory(tuple(people.all()), tuple(people.channels()), tuple(people.subscriptions()))

    # -- looking

    def _service_perhaps(self, now: Millis) -> None:
        if self._serviced_at is not None and 0 <= now - self._serviced_at < SERVICE_EVERY_MS:
            return
        self._serviced_at = now
        snapshot = Snapshot(now, service=self._machine.state(self._registry))
        place = Place("service")
        anew = self._places.pop(place, False)
        if self._service_open or any(verdict.state == "bad" for verdict in judge(snapshot)):
            judging = Judging(self._read_directory(), self._quiet, self._links)
            with self._registry.begin() as tx:
                judging.look(tx, snapshot, "service", _at(tx.episodes.unresolved(), place), anew=anew)
            self._service_open = True

    def _look_at_site(self, place: Place, now: Millis, judging: Judging) -> None:
        if place.scope != "site":
            del self._places[place]
            return
        snapshot = self._gatherer.site(place.name, now)
        with self._registry.begin() as tx:
            unresolved = (
                _at(tx.episodes.unresolved(), place) if place.name in self._dark or _bad(snapshot) else []
            )
            looked = judging.look(tx, snapshot, "site", unresolved, anew=self._places.get(place, False))
        self._places.pop(place, None)
        self._sites_looked_at.add(place.name)
        for change in looked.changes:
            if change.episode.subject != RADIO:
                continue
            if change.episode.state != "resolved":
                self._dark[place.name] = change.episode
            elif self._dark.pop(place.name, None) is not None:
                for episode in self._registry.episodes.unresolved():
                    if episode.site == place.name and episode.kind == "probe_silent":
                        self._mark(_place_of(episode), anew=True)
        again = looked.look_again_at
        self._deadlines.set(place, Millis(now + SITE_EVERY_MS) if again is None else again)

    def _look_at_piles(
        self, now: Millis, judging: Judging, beat: Callable[[], None], stop: threading.Event | None
    ) -> int:
        waiting = list(self._piles)[:PILES_A_TICK]
        for start in range(0, len(waiting), CHUNK):
            if stop is not None and stop.is_set():
                return start
            self._look_at_chunk(waiting[start : start + CHUNK], now, judging)
            beat()
        return len(waiting)

    def _look_at_chunk(self, pile_ids: list[str], now: Millis, judging: Judging) -> None:
        snapshots: list[tuple[str, Snapshot]] = []
        for pile_id in pile_ids:
            self._at_work = pile_id
            try:
                snapshots.append((pile_id, self._gatherer.pile(pile_id, now)))
            except NotFound:
                del self._piles[pile_id]
                self._deadlines.set(Place("pile", pile_id), None)
        for snapshot in (found for _, found in snapshots if found.radio is not None):
            slug = snapshot.site.slug if snapshot.site else ""
            if slug and slug not in self._sites_looked_at:  # is it the probe, or the whole site?
                self._look_at_site(Place("site", slug), now, judging)
        again: dict[str, Millis | None] = {}
        with self._registry.begin() as tx:
            for pile_id, snapshot in snapshots:
                self._at_work = pile_id
                looked = judging.look(
                    tx,
                    snapshot,
                    "pile",
                    tx.episodes.unresolved(pile_id),
                    told_of_parent=self._told_of_parent(snapshot),
                    anew=self._piles[pile_id],
                )
                again[pile_id] = looked.look_again_at
        self._at_work = None
        for pile_id, at in again.items():
            del self._piles[pile_id]
            self._deadlines.set(Place("pile", pile_id), at)

    def _told_of_parent(self, snapshot: Snapshot) -> frozenset[str]:
        parent = self._dark.get(snapshot.site.slug) if snapshot.site else None
        return frozenset(p.id for p in self._directory.audience(parent)) if parent else frozenset()

    def _tell_morning(self, person_id: str, now: Millis) -> None:
        place = Place("morning", person_id)
        person = self._directory.by_id.get(person_id)
        if person is None:
            return
        self._deadlines.set(place, now)  # stays due if a store fails on the way
        rows = self._mornings.rows(person, self._directory, now)
        snapshot = Snapshot(now, round=rows)
        with self._registry.begin() as tx:
            messages = Messages(tx, self._directory, self._links, snapshot, {})
            self._mornings.tell(tx, person, self._directory, rows, messages, now)
        self._deadlines.set(place, self._mornings.next_at(person, now))

    def _set_unfit_aside(self) -> None:
        """A pile at which the loop fell over must not keep all others from being watched: it waits a while."""
        pile_id, self._at_work = self._at_work, None
        if pile_id is not None and pile_id in self._piles:
            log.error("loop=watch event=pile_set_aside pile=%s", pile_id)
            del self._piles[pile_id]
            self._deadlines.set(Place("pile", pile_id), Millis(self._clock.now() + UNFIT_PAUSE_MS))


def _place_of(episode: Episode) -> Place:
    if episode.pile_id is not None:
        return Place("pile", episode.pile_id)
    return Place("site", episode.site) if episode.site is not None else Place("service")


def _at(episodes: list[Episode], place: Place) -> list[Episode]:
    return [episode for episode in episodes if _place_of(episode) == place]


def _bad(snapshot: Snapshot) -> bool:
    return any(verdict.state == "bad" for verdict in judge(snapshot))
