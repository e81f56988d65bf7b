"""The demo site: weeks of history through the real ingest path, then live probes on a quick clock."""

from __future__ import annotations

import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterable

from deploy import assembly
from deploy.errors import SurroundingsError
from deploy.house import House
from deploy.larkfield import PILES, SITE, SITE_NAME, ZONE, DemoPile
from deploy.simulator import ProbePublisher, senml_pack
from deploy.yard import STEP_MS, Sample, Yard
from shared.ids import new_id
from shared.people import Channel, Person, Subscription
from shared.piles import FieldNote, Pile, Placement, Site, Turn
from shared.times import DAY, Span

HISTORY_PATIENCE_S = 180.0


def furnish(house: House, yard: Yard) -> None:
    """Write the yard's people, piles, placements, turns and notes up to its present."""
    registry, now = house.registry, yard.now
    with registry.begin() as tx:
        tx.sites.add(Site(SITE, SITE_NAME, ZONE))
        for number, (name, address, units) in enumerate(
            (
                ("Orla Fenwick", "orla@larkfield.example", "celsius"),
                ("Tam Birchall", "tam@larkfield.example", "fahrenheit"),
            )
        ):
            person = Person(
                f"maker-{number + 1}", name, ZONE, "fahrenheit" if units == "fahrenheit" else "celsius"
            )
            tx.people.add(person)
            tx.people.add_channel(Channel(f"mail-{number + 1}", person.id, "email", address))
            tx.people.subscribe(
                Subscription(
                    f"all-{number + 1}", person.id, site=SITE, min_severity="info" if not number else "act"
                )
            )
        for pile in PILES:
            tx.piles.add(_pile_row(yard, pile))
            tx.probes.place(
                Placement(
                    new_id(now),
                    SITE,
                    pile.probe,
                    pile.peg.lower(),
                    _span(yard, pile),
                    "middle of the heap",
                    "core",
                )
            )
            for turn in pile.turns:
                if turn.logged:
                    tx.piles.add_turn(
                        Turn(
                            new_id(now),
                            pile.peg.lower(),
                            yard.day(turn.day),
                            note=turn.note,
                            by="Orla Fenwick",
                        )
                    )
            for day, kind, text, figures in pile.notes:
                tx.piles.add_note(
                    FieldNote(
                        new_id(now),
                        pile.peg.lower(),
                        kind,
                        yard.day(day),
                        text,
                        dict(figures),
                        "Tam Birchall",
                    )
                )


def _span(yard: Yard, pile: DemoPile) -> Span:
    end = None if pile.finished_day is None else yard.day(pile.finished_day)
    return Span(yard.day(pile.built_day), end)


def _pile_row(yard: Yard, pile: DemoPile) -> Pile:
    span = _span(yard, pile)
    return Pile(
        pile.peg.lower(), SITE, pile.peg, span.start, span.end, pile.volume_l, pile.kind, pile.rules, None,
        dict(pile.mix),
    )  # fmt: skip


def store_history(house: House, host: str, port: int, samples: Iterable[Sample]) -> None:
    """Publish ``samples`` as the probes would have after an outage, a pack a day, and wait until all are stored."""
    by_day: dict[tuple[str, int], list[Sample]] = defaultdict(list)
    count = 0
    for sample in samples:
        by_day[sample.pile.probe, sample.at // DAY].append(sample)
        count += len(sample.celsius)
    stop = threading.Event()
    ingest = assembly.ingest_loop(house, host, port)
    thread = threading.Thread(target=ingest.run, args=(stop, lambda: None), name="history", daemon=True)
    thread.start()
    publisher = None
    try:
        _wait_for(lambda: ingest.connected, "the ingester did not start")
        publisher = ProbePublisher(host, port, SITE)
        for (probe, _), day in sorted(by_day.items(), key=_start):
            publisher.readings(probe, _pack(probe, day))
        publisher.wait_until_taken()
        _wait_for(lambda: house.readings.count() >= count, "the history was not stored in time")
    finally:
        if publisher is not None:
            publisher.close()
        stop.set()
        thread.join(20.0)


def _start(item: tuple[tuple[str, int], list[Sample]]) -> tuple[int, str]:
    (probe, day), _ = item
    return day, probe


def _pack(probe: str, samples: list[Sample]) -> bytes:
    last = samples[-1]
    return senml_pack(
        probe,
        [(sample.at, sample.celsius) for sample in samples],
        battery_percent=last.battery_percent,
        rssi_dbm=last.rssi_dbm,
    )


def _wait_for(done: Callable[[], bool], otherwise: str) -> None:
    deadline = time.monotonic() + HISTORY_PATIENCE_S
    while not done():
        if time.monotonic() > deadline:
            raise SurroundingsError(otherwise)
        time.sleep(0.05)


class LiveProbes:
    """The Loop "probes": moves the simulated yard along with the demo's clock and publishes what its probes measure.

    A turn or a watering that somebody logs for an open pile happens in the simulation too.
    """

    name = "probes"

    def __init__(self, house: House, yard: Yard, host: str, port: int) -> None:
        self._house, self._yard = house, yard
        self._host, self._port = host, port
        self._seen_version = house.registry.version()
        self._done = {entry for number in range(len(PILES)) for entry in self._entries(number)}

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        publisher = ProbePublisher(self._host, self._port, SITE)
        try:
            for pile in PILES:
                if pile.finished_day is None:
                    publisher.online(pile.probe)
            while not stop.wait(0.25):
                self._do_what_people_logged()
                while self._yard.now + STEP_MS <= self._house.clock.now() and not stop.is_set():
                    for sample in self._yard.advance():
                        publisher.readings(sample.pile.probe, _pack(sample.pile.probe, [sample]))
                    beat()
                beat()
        finally:
            publisher.close()

    def _do_what_people_logged(self) -> None:
        version = self._house.registry.version()
        if version == self._seen_version:
            return
        self._seen_version = version
        for number in range(len(PILES)):
            for kind, entry_id in self._entries(number) - self._done:
                self._done.add((kind, entry_id))
                if kind == "turn":
                    self._yard.turn(number)
                else:
                    self._yard.water(number)

    def _entries(self, number: int) -> set[tuple[str, str]]:
        piles, pile_id = self._house.registry.piles, PILES[number].peg.lower()
        turns = {
            ("turn", turn.id) for turn in piles.turns(pile_id) if turn.source == "logged" and turn.counts
        }
        return turns | {("water", note.id) for note in piles.notes(pile_id) if note.kind == "water"}
