"""The watch: looks at what has changed and at what is due, and stores what follows. Telling people is another loop.

One ``now`` for a tick. A pile that changed is looked at once; all that it leads to commits in one transaction. A crash
before that leaves nothing, and the next tick comes to the same.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from alerts.agenda import Agenda
from alerts.deadlines import Place
from alerts.gathering import Gatherer
from alerts.judging import Judging
from alerts.looking import CHUNK, SERVICE, Looks, bad, place_of
from alerts.machine_watch import MachineWatch
from alerts.messages import Messages
from alerts.mornings import Mornings
from alerts.policy_people import Directory
from alerts.policy_times import Quiet
from alerts.rounds import Rounds
from alerts.sharing import Share, WholeShare
from alerts.snapshot import Snapshot
from alerts.telling import answer_of
from alerts.wording_links import link_writer
from shared.heat.catalogue import Catalogue
from shared.ports import Registry, StorageError
from shared.settings import Settings
from shared.times import MINUTE, SECOND, Clock, Millis

if TYPE_CHECKING:
    from shared.heat_book import HeatBook

log = logging.getLogger(__name__)

POLL_S = 0.5
STORE_PAUSE_S = 1.0
PILES_A_TICK = 500  # the rest waits for the next one, so that ``now`` stays the present also after a start
SWEEP_MS = 20 * SECOND
SERVICE_EVERY_MS = 5 * SECOND
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
        self._begin_anew()

    def _begin_anew(self) -> None:
        """As after a start: the first look at every place that is ours fills the agenda."""
        self._turn = self._share.turn
        self._agenda = Agenda(self._share.mine)
        self._rounds = Rounds(self._registry, self._gatherer, self._links, self._quiet)
        self._looks = Looks(self._registry, self._gatherer, self._share, self._agenda)
        self._directory = Directory()
        self._known_mark: int | None = None
        self._service_open = True  # until the first sweep says otherwise
        self._swept_at: int | None = None
        self._serviced_at: int | None = None

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
        self._looks.begin_tick()
        if self._swept_at is None:
            self._rounds.recover(lambda slug: self._share.mine(Place("site", slug)))
        self._sweep_perhaps(now)
        self._service_perhaps(now)
        self._agenda.add_piles(self._book.poll(f"{self.name}.{self._turn}" if self._turn else self.name))
        self._agenda.add_due(now)
        if not len(self._agenda) and not self._rounds.due(now):
            return 0
        self._directory = self._read_directory()
        judging = Judging(self._directory, self._quiet, self._links, self._rounds)
        for place in self._agenda.waiting("site"):
            self._looks.site(place, now, judging)
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
        unresolved = self._registry.episodes.unresolved()
        self._looks.unresolved(unresolved)
        for episode in unresolved:
            place = place_of(episode)
            if place == SERVICE:
                self._service_open = True
            if anew or first or episode.holds.get("seen") != answer_of(episode):
                self._agenda.add(place, anew=anew)
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

    def _service_perhaps(self, now: Millis) -> None:
        if self._serviced_at is not None and 0 <= now - self._serviced_at < SERVICE_EVERY_MS:
            return
        self._serviced_at = now
        if not self._share.mine(SERVICE):
            return
        snapshot = Snapshot(now, service=self._machine.state(self._registry, now))
        anew = self._agenda.anew(SERVICE)
        self._agenda.plan(SERVICE, None)
        if self._service_open or bad(snapshot):
            judging = Judging(self._read_directory(), self._quiet, self._links)
            self._looks.service(snapshot, judging, anew=anew)
            self._service_open = True

    def _look_at_piles(
        self, now: Millis, judging: Judging, beat: Callable[[], None], stop: threading.Event | None
    ) -> int:
        waiting = self._agenda.waiting("pile")[:PILES_A_TICK]
        for start in range(0, len(waiting), CHUNK):
            if stop is not None and stop.is_set():
                return start
            self._looks.piles(waiting[start : start + CHUNK], now, judging)
            beat()
        return len(waiting)

    def _go_round(self, now: Millis, judging: Judging) -> None:
        """Whoever is called to a site hears of all its piles that want something before the next round."""
        for key in self._rounds.due(now):
            self._looks.ahead.call(key.site)
        self._looks.piles_ahead(now, judging)
        self._rounds.go(now, self._directory, self._looks.beginning)

    def _tell_morning(self, place: Place, now: Millis) -> None:
        person = self._directory.by_id.get(place.name)
        if person is None:
            self._agenda.plan(place, None)
            return
        rows = self._mornings.rows(person, self._directory, now)
        with self._looks.beginning() as tx:
            messages = Messages(tx, self._directory, self._links, Snapshot(now, round=rows), {})
            self._mornings.tell(tx, person, self._directory, rows, messages, now)
        self._agenda.plan(place, self._mornings.next_at(person, now))

    def _set_unfit_aside(self) -> None:
        """A pile at which the loop fell over must not keep all others from being watched: it waits a while."""
        place, self._looks.at_work = self._looks.at_work, None
        if place is not None:
            log.error("loop=watch event=pile_set_aside pile=%s", place.name)
            self._agenda.plan(place, Millis(self._clock.now() + UNFIT_PAUSE_MS))
