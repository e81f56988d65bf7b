"""A watch on a real registry file, a clock that is set by hand, and a heat book that says what the test tells it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast

from alerts.machine_watch import MachineWatch
from alerts.worker import WatchLoop
from shared.episodes import Episode, NoticeKind
from shared.heat.catalogue import Catalogue
from shared.heat.report import HeatReport
from shared.heat_book import HeatBook
from shared.notices import Notice
from shared.people import Channel, ChannelKind, Person, Subscription
from shared.piles import Pile, Placement, Turn
from shared.ports import Registry, StorageError
from shared.settings import Settings
from shared.stores import open_registry
from shared.times import DAY, HOUR, MINUTE, Millis, Span
from tests.alerts.made import NOW, SITE, a_pile, a_report


@dataclass
class HandClock:
    at: int = NOW

    def now(self) -> Millis:
        return Millis(self.at)


@dataclass
class ToldBook:
    """Stands in for the heat book: a function of the instant for each pile, and a list of what changed."""

    said: dict[str, Callable[[Millis], HeatReport]] = field(default_factory=dict)
    changed: dict[str, set[str]] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)
    fails: StorageError | None = None

    def read_ahead(self, pile_ids: Sequence[str], now: Millis, between: Callable[[], None]) -> None:
        for pile_id in pile_ids:
            self.said[pile_id](now)

    def report(self, pile_id: str, now: Millis, *, as_read: bool = False) -> HeatReport:
        if self.fails is not None:
            raise self.fails
        self.asked.append(pile_id)
        return self.said[pile_id](now)

    def ahead_at(self, _pile_id: str, _now: Millis) -> None:
        return None

    def reports(self, pile_ids: Iterable[str], now: Millis, **_: Any) -> dict[str, HeatReport]:
        return {pile_id: self.report(pile_id, now) for pile_id in pile_ids}

    def poll(self, consumer: str) -> set[str]:
        if consumer not in self.changed:
            self.changed[consumer] = set()
            return set(self.said)
        found, self.changed[consumer] = self.changed[consumer], set()
        return found

    def touch(self, pile_id: str) -> None:
        for waiting in self.changed.values():
            waiting.add(pile_id)


class Yard:
    """Larkfield Yard under watch: piles and people added by name, time moved by hand."""

    def __init__(self, folder: Path, settings: Settings | None = None) -> None:
        self.folder, self.settings = folder, settings or Settings()
        self.clock, self.book = HandClock(), ToldBook()
        self.seconds = 0.0
        self.registry: Registry = open_registry(folder / "registry.db")
        if not self.registry.sites.all():
            self.registry.sites.add(SITE)
        self.watch = self._new_watch()

    def _new_watch(self) -> WatchLoop:
        return self.another_watch(MachineWatch("watch", lambda: self.seconds))

    def another_watch(self, machine: MachineWatch | None = None) -> WatchLoop:
        book = cast("HeatBook", self.book)
        return WatchLoop(self.registry, book, self.settings, self.clock, Catalogue.load(), machine=machine)

    def restart(self) -> None:
        """Everything in memory is gone; the files stay."""
        self.registry.close()
        self.registry = open_registry(self.folder / "registry.db")
        self.book.changed.clear()
        self.watch = self._new_watch()

    def close(self) -> None:
        self.registry.close()

    @property
    def now(self) -> int:
        return self.clock.at

    def tick(self, *, times: int = 1) -> None:
        for _ in range(times):
            self.watch.tick(self.clock.now())

    def pass_time(self, span: int, *, step: int = 10 * MINUTE) -> None:
        """Let time pass in steps, with a tick after each."""
        end = self.clock.at + span
        while self.clock.at < end:
            moved = min(step, end - self.clock.at)
            self.clock.at += moved
            self.seconds += moved / 1000
            self.tick()

    def pile(self, peg: str = "K-01", *, built_at: int = NOW - 10 * DAY, **more: Any) -> Pile:
        pile = a_pile(peg, built_at=built_at, **more)
        self.registry.piles.add(pile)
        self.is_so(pile)
        return pile

    def is_so(self, pile: Pile, **about: Any) -> None:
        """From now on the book says this of the pile; confirmed turns of the registry are added."""

        def report(now: Millis) -> HeatReport:
            turned = tuple(turn.at for turn in self.registry.piles.turns(pile.id) if turn.counts)
            return a_report(pile, now, **({"turned": turned} | about))

        self.book.said[pile.id] = report
        self.book.touch(pile.id)

    def turn(self, pile: Pile, *, by: str = "", at: int | None = None) -> None:
        when = Millis(self.now if at is None else at)
        self.registry.piles.add_turn(Turn(f"turn-{pile.peg}-{when}-{self.now}", pile.id, when, by=by))
        self.is_so(pile, state="not_yet", load=0.0, hottest_c=None)

    def probe(self, pile: Pile, name: str, *, interval_ms: int = 10 * MINUTE) -> None:
        self.registry.probes.heard(
            SITE.slug, name, Millis(self.now), {"interval_ms": interval_ms, "interval_fixed": True}
        )
        self.registry.probes.place(
            Placement(f"pl-{name}", SITE.slug, name, pile.id, Span(pile.built_at), "middle")
        )
        self.book.touch(pile.id)

    def heard(self, *names: str) -> None:
        for name in names:
            self.registry.probes.heard(SITE.slug, name, Millis(self.now), {})
            for placement in self.registry.probes.placements(site=SITE.slug, probe=name):
                self.book.touch(placement.pile_id)

    def person(
        self,
        name: str = "Ada",
        *,
        ways: int = 1,
        kinds: tuple[str, ...] | None = None,
        subscribed: bool = True,
        min_severity: Any = "info",
        kind: ChannelKind = "email",
        **more: Any,
    ) -> Person:
        fields: dict[str, Any] = {"zone": "Europe/Dublin"} | more
        person = Person(name.lower(), name, **fields)
        self.registry.people.add(person)
        for way in range(ways):
            self.registry.people.add_channel(
                Channel(f"{person.id}-{way}", person.id, kind, f"{person.id}{way}@example.org")
            )
        if subscribed:
            self.registry.people.subscribe(
                Subscription(f"sub-{person.id}", person.id, kinds=kinds, min_severity=min_severity)
            )
        return person

    def told(self, name: str | None = None) -> list[Notice]:
        """The notices that were or will be sent, the oldest first."""
        return [n for n in self.rows(name) if n.state != "withheld"]

    def heard_of(self, name: str | None = None) -> list[tuple[str, str, str]]:
        """Peg, kind and reason of all that the messages tell of, whether by itself or along with another pile."""
        rows = self.rows(name)
        sent = {n.id: n for n in rows if n.state != "withheld"}
        along = [n for n in rows if n.state == "withheld" and n.channel_id and n.figures.get("with") in sent]
        assert all(n.peg in sent[n.figures["with"]].text for n in along)
        return sorted(
            [(n.peg, n.kind, n.reason) for n in sent.values()]
            + [(n.peg, n.kind, str(n.figures["step"])) for n in along]
        )

    def withheld(self, name: str | None = None) -> list[Notice]:
        return [n for n in self.rows(name) if n.state == "withheld"]

    def rows(self, name: str | None = None) -> list[Notice]:
        found = list(reversed(self.registry.notices.all(limit=100_000)))
        return [n for n in found if name is None or n.person_id == name.lower()]

    def says(self, name: str | None = None) -> list[tuple[str, str]]:
        return [(n.kind, n.reason) for n in self.told(name)]

    def episode(self, kind: NoticeKind) -> Episode:
        (found,) = [e for e in self.registry.episodes.unresolved() if e.kind == kind]
        return found

    def answer(self, kind: NoticeKind, **fields: Any) -> None:
        """What the pages do when someone acknowledges or snoozes."""
        self.registry.episodes.put(replace(self.episode(kind), **fields))


__all__ = ["DAY", "HOUR", "MINUTE", "NOW", "Yard"]


def a_due_pile(yard: Yard, peg: str = "K-01") -> None:
    """A pile whose turn is due now, and one look of the watch at it."""
    pile = yard.pile(peg)
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
