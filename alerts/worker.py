"""The watch: looks at what has changed and at what is due, and stores what follows. Telling people is another loop.

One ``now`` for a tick. A pile that changed is looked at once; all that it leads to commits in one transaction. A crash
before that leaves nothing, and the next tick comes to the same.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from alerts.agenda import Agenda
from alerts.ahead import Ahead
from alerts.conditions.service_trouble import RADIO, judge
from alerts.conditions.turn_soon import AHEAD_MS
from alerts.deadlines import Place
from alerts.gathering import Gatherer
from alerts.judging import Judging
from alerts.machine_watch import MachineWatch
from alerts.messages import Messages
from alerts.mornings import Mornings
from alerts.policy_people import Directory
from alerts.policy_times import Quiet
from alerts.rounds import Rounds
from alerts.sharing import Share, WholeShare
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
        share: Share | None = None,
    ) -> None:
        self._registry, self._book, self._settings, self._clock = registry, book, settings, clock
        self._quiet = Quiet(settings.quiet_hours.from_, settings.quiet_hours.to)
        self._links = link_writer(registry.memory, settings.web.public_url)
        self._gatherer = Gatherer(registry, book, catalogue, settings.notices.battery_cells)
        self._mornings = Mornings(registry, book, settings.notices.morning_round, self._quiet)
        self._machine = machine or MachineWatch(self.name)
        self._share = share or WholeShare()
        self._at_work: Place | None = None
        self._begin_anew()

    def _begin_anew(self) -> None:
        """As after a start: the first look at every place that is ours fills the agenda."""
        self._turn = self._share.turn
        self._agenda = Agenda(self._share.mine)
        self._rounds = Rounds(self._registry, self._gatherer, self._links)
        self._ahead = Ahead()
        self._directory = Directory()
        self._known_mark: int | None = None
        self._dark: dict[str, Episode] = {}  # site -> its silence, while it lasts
        self._service_open = True  # until the first sweep says otherwise
        self._swept_at: int | None = None
        self._serviced_at: int | None = None
        self._sites_looked_at: set[str] = set()

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
            if not self._agenda.waiting("pile"):
                stop.wait(POLL_S)
        self._share.give_up()

    def tick(
        self,
        now: Millis,
        beat: Callable[[], None] = _no_beat,
        stop: threading.Event | None = None,
    ) -> int:
        """Look at everything that changed or is due at ``now``; gives how many piles were looked at.

        Raises StorageError when a store fails; what was not looked at stays to be.
        """
        self._share.renew()
        if self._share.turn != self._turn:
            self._begin_anew()
        self._gatherer.refresh()
        self._sites_looked_at.clear()
        if self._swept_at is None:
            self._rounds.recover()
        self._sweep_perhaps(now)
        self._service_perhaps(now)
        self._agenda.add_piles(self._book.poll(f"{self.name}.{self._turn}" if self._turn else self.name))
        self._agenda.add_due(now)
        if not len(self._agenda) and not self._rounds.due(now):
            return 0
        self._directory = self._read_directory()
        judging = Judging(self._directory, self._quiet, self._links, self._rounds)
        for place in self._agenda.waiting("site"):
            self._look_at_site(place, now, judging)
        looked = self._look_at_piles(now, judging, beat, stop)
        for place in self._agenda.waiting("morning"):
            self._tell_morning(place, now)
        self._go_round(now, judging)
        return looked

    # -- what is to be looked at

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
                self._agenda.add(place, anew=anew)
        self._dark = dark
        for slug in self._gatherer.sites():
            if Place("site", slug) not in self._agenda.deadlines:
                self._agenda.add(Place("site", slug))
        for person in directory.people:
            place = Place("morning", person.id)
            if place not in self._agenda.deadlines and place not in self._agenda:
                self._agenda.plan(place, self._mornings.next_at(person, now))
        self._swept_at = now

    def _read_directory(self) -> Directory:
        people = self._registry.people
        return Directory(tuple(people.all()), tuple(people.channels()), tuple(people.subscriptions()))

    # -- looking

    @contextmanager
    def _beginning(self) -> Iterator[Registry]:
        """All that a look leads to commits only while the place is still ours."""
        with self._registry.begin() as tx:
            self._share.guard(tx)
            yield tx

    def _service_perhaps(self, now: Millis) -> None:
        if self._serviced_at is not None and 0 <= now - self._serviced_at < SERVICE_EVERY_MS:
            return
        self._serviced_at = now
        if not self._share.mine(Place("service")):
            return
        snapshot = Snapshot(now, service=self._machine.state(self._registry, now))
        place = Place("service")
        anew = self._agenda.anew(place)
        self._agenda.plan(place, None)
        if self._service_open or any(verdict.state == "bad" for verdict in judge(snapshot)):
            judging = Judging(self._read_directory(), self._quiet, self._links)
            with self._beginning() as tx:
                judging.look(tx, snapshot, "service", _at(tx.episodes.unresolved(), place), anew=anew)
            self._service_open = True

    def _look_at_site(self, place: Place, now: Millis, judging: Judging) -> None:
        snapshot = self._gatherer.site(place.name, now)
        with self._beginning() as tx:
            unresolved = (
                _at(tx.episodes.unresolved(), place) if place.name in self._dark or _bad(snapshot) else []
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
                        self._agenda.add(_place_of(episode), anew=True)

    def _look_at_piles(
        self, now: Millis, judging: Judging, beat: Callable[[], None], stop: threading.Event | None
    ) -> int:
        waiting = self._agenda.waiting("pile")[:PILES_A_TICK]
        for start in range(0, len(waiting), CHUNK):
            if stop is not None and stop.is_set():
                return start
            self._look_at_chunk(waiting[start : start + CHUNK], now, judging)
            beat()
        return len(waiting)

    def _go_round(self, now: Millis, judging: Judging) -> None:
        """Whoever is called to a site hears of all its piles that want something before the next round."""
        for key in self._rounds.due(now):
            self._ahead.call(key.site)
        places = self._ahead.wanted(now)
        for start in range(0, len(places), CHUNK):
            self._look_at_chunk(places[start : start + CHUNK], now, judging, ahead_ms=AHEAD_MS)
        self._rounds.go(now, self._directory)

    def _look_at_chunk(
        self, places: list[Place], now: Millis, judging: Judging, *, ahead_ms: int = 0
    ) -> None:
        snapshots: list[tuple[Place, Snapshot]] = []
        for place in places:
            self._at_work = place
            try:
                snapshots.append((place, self._gatherer.pile(place.name, now, ahead_ms=ahead_ms)))
            except NotFound:
                self._agenda.plan(place, None)
        for snapshot in (found for _, found in snapshots if found.radio is not None):
            slug = snapshot.site.slug if snapshot.site else ""
            if slug and slug not in self._sites_looked_at:  # is it the probe, or the whole site?
                self._look_at_site(Place("site", slug), now, judging)
        again: dict[Place, Millis | None] = {}
        with self._beginning() as tx:
            for place, snapshot in snapshots:
                self._at_work = place
                looked = judging.look(
                    tx,
                    snapshot,
                    "pile",
                    tx.episodes.unresolved(place.name),
                    told_of_parent=self._told_of_parent(snapshot),
                    anew=self._agenda.anew(place),
                )
                again[place] = looked.look_again_at or _build_ahead(snapshot)
                self._ahead.saw(snapshot, looked.changes)
        self._at_work = None
        for place, at in again.items():
            self._agenda.plan(place, at)

    def _told_of_parent(self, snapshot: Snapshot) -> frozenset[str]:
        parent = self._dark.get(snapshot.site.slug) if snapshot.site else None
        return frozenset(p.id for p in self._directory.audience(parent)) if parent else frozenset()

    def _tell_morning(self, place: Place, now: Millis) -> None:
        person = self._directory.by_id.get(place.name)
        if person is None:
            self._agenda.plan(place, None)
            return
        rows = self._mornings.rows(person, self._directory, now)
        with self._beginning() as tx:
            messages = Messages(tx, self._directory, self._links, Snapshot(now, round=rows), {})
            self._mornings.tell(tx, person, self._directory, rows, messages, now)
        self._agenda.plan(place, self._mornings.next_at(person, now))

    def _set_unfit_aside(self) -> None:
        """A pile at which the loop fell over must not keep all others from being watched: it waits a while."""
        place, self._at_work = self._at_work, None
        if place is not None:
            log.error("loop=watch event=pile_set_aside pile=%s", place.name)
            self._agenda.plan(place, Millis(self._clock.now() + UNFIT_PAUSE_MS))


def _build_ahead(snapshot: Snapshot) -> Millis | None:
    pile = snapshot.pile
    return pile.built_at if pile is not None and pile.built_at > snapshot.now else None


def _place_of(episode: Episode) -> Place:
    if episode.pile_id is not None:
        return Place("pile", episode.pile_id)
    return Place("site", episode.site) if episode.site is not None else Place("service")


def _at(episodes: list[Episode], place: Place) -> list[Episode]:
    return [episode for episode in episodes if _place_of(episode) == place]


def _bad(snapshot: Snapshot) -> bool:
    return any(verdict.state == "bad" for verdict in judge(snapshot))
