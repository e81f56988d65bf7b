"""The watch on real readings, a real registry and the real heat book."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from alerts.worker import WatchLoop
from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.notices import Notice
from shared.people import Channel, Person, Subscription
from shared.piles import Pile, Placement, Turn
from shared.readings import Reading, SensorKey
from shared.settings import Settings
from shared.stores import open_readings, open_registry
from shared.times import HOUR, MINUTE, Millis, Span
from tests.alerts.made import NOW, SITE
from tests.alerts.watched import HandClock

SENSOR = SensorKey(SITE.slug, "p-01", "45")


class RealYard:
    def __init__(self, folder: Path) -> None:
        self.folder, self.clock = folder, HandClock(NOW)
        self._open()
        self.registry.sites.add(SITE)
        self.registry.people.add(Person("ada", "Ada", "Europe/Dublin"))
        self.registry.people.add_channel(Channel("ada-mail", "ada", "email", "ada@example.org"))
        self.registry.people.subscribe(Subscription("all", "ada"))
        self.registry.piles.add(Pile("pile-1", SITE.slug, "K-07", Millis(NOW)))
        self.registry.probes.place(Placement("pl", SITE.slug, "p-01", "pile-1", Span(Millis(NOW)), "middle"))

    def _open(self) -> None:
        self.registry = open_registry(self.folder / "registry.db")
        self.readings = open_readings(self.folder / "readings.db")
        self.book = HeatBook(self.readings, self.registry, Catalogue.load(), Settings().max_gap_ms)
        self.watch = WatchLoop(self.registry, self.book, Settings(), self.clock, Catalogue.load())

    def close(self) -> None:
        self.registry.close()
        self.readings.close()

    def restart(self) -> None:
        self.close()
        self._open()

    def read(self, celsius: float, *, until: int, since: int | None = None) -> None:
        """A reading every half hour up to ``until``, and a tick after the last."""
        first = self.clock.at + 30 * MINUTE if since is None else since
        batch = []
        for number, at in enumerate(range(first, until + 1, 30 * MINUTE)):
            value = celsius + (0.2 if number % 2 else 0.0)  # no sensor is this steady
            batch.append(Reading(SENSOR, Millis(at), value, Millis(until)))
        self.readings.append(batch)
        self.registry.probes.heard(
            SITE.slug, "p-01", Millis(until), {"interval_ms": 30 * MINUTE, "interval_fixed": True}
        )
        self.clock.at = until
        self.watch.tick(Millis(until))

    def told(self) -> list[Notice]:
        return [n for n in reversed(self.registry.notices.all(limit=1000)) if n.state != "withheld"]

    def says(self) -> list[tuple[str, str]]:
        return [(n.kind, n.reason) for n in self.told()]


@pytest.fixture
def real(tmp_path: Path) -> Iterator[RealYard]:
    made = RealYard(tmp_path)
    yield made
    made.close()


def test_a_pile_at_61_degrees_is_soon_due_after_42_hours_and_due_after_48(real: RealYard) -> None:
    start = NOW + 30 * MINUTE
    real.read(61.0, until=start + 40 * HOUR)
    assert real.says() == []
    real.read(61.0, until=start + 43 * HOUR)
    assert real.says() == [("turn_soon", "first")]
    real.read(61.0, until=start + 47 * HOUR)
    assert len(real.told()) == 1
    real.read(61.0, until=start + 48 * HOUR)
    assert real.says() == [("turn_soon", "first"), ("turn_due", "first")]
    due = real.told()[-1]
    assert due.figures["load"] >= 1.0
    assert abs(due.figures["due_at"] - (start + 48 * HOUR)) <= MINUTE
    assert due.title.startswith("K-07")
    real.restart()
    real.watch.tick(real.clock.now())
    real.watch.tick(real.clock.now())
    assert len(real.told()) == 2


def test_a_logged_turn_ends_it_before_anything_is_read_after_it(real: RealYard) -> None:
    real.read(61.0, until=NOW + 49 * HOUR)
    assert real.says() == [("turn_due", "first")]
    real.clock.at += 10 * MINUTE
    real.registry.piles.add_turn(Turn("t1", "pile-1", real.clock.now(), by="Ben"))
    real.watch.tick(real.clock.now())
    assert real.says() == [("turn_due", "first"), ("turn_due", "resolved")]
    real.read(40.0, until=real.clock.at + HOUR)
    assert len(real.told()) == 2
    assert [e.kind for e in real.registry.episodes.unresolved()] == []


def test_a_pile_over_70_is_one_message(real: RealYard) -> None:
    real.read(60.0, until=NOW + 10 * HOUR)
    real.read(71.5, until=NOW + 12 * HOUR)
    (notice,) = real.told()
    assert notice.kind == "cool_pile"
    assert notice.figures["also"] == ["turn_due"]


@pytest.mark.parametrize("read_by_a_page", [False, True])
def test_a_reading_by_a_clock_that_is_ahead_is_told_once_its_time_has_come(
    real: RealYard, *, read_by_a_page: bool
) -> None:
    """The next one may be an hour away, and by an exact clock a reading can come between a look's now and its question."""
    real.read(58.0, until=NOW + 10 * HOUR)
    now = real.clock.at
    real.readings.append([Reading(SENSOR, Millis(now + 5 * MINUTE), 72.0, Millis(now))])
    if read_by_a_page:
        real.book.history("pile-1")
    real.watch.tick(real.clock.now())
    assert real.says() == []
    real.clock.at = now + 5 * MINUTE - 1
    real.watch.tick(real.clock.now())
    assert real.says() == []
    real.clock.at = now + 5 * MINUTE
    real.watch.tick(real.clock.now())
    assert real.says() == [("cool_pile", "first")]


@pytest.mark.parametrize("entered", ["turn", "finish", "end of the placement"])
def test_what_is_entered_by_a_clock_that_is_ahead_takes_effect_when_its_time_comes(
    real: RealYard, entered: str
) -> None:
    real.read(61.0, until=NOW + 49 * HOUR)
    real.clock.at += 1000
    real.watch.tick(real.clock.now())
    at = Millis(real.clock.at + 9 * MINUTE)
    if entered == "turn":
        real.registry.piles.add_turn(Turn("t1", "pile-1", at, by="Ben"))
    elif entered == "finish":
        real.registry.piles.change("pile-1", finished_at=at)
    else:
        real.registry.probes.change_placement("pl", span=Span(Millis(NOW), at))
    looks = [real.watch.tick(Millis(at + later)) for later in (-MINUTE, -1, 0, MINUTE)]
    assert looks == [1, 0, 1, 0]  # it changed; its time came
    assert (real.registry.episodes.unresolved() == []) == (entered != "end of the placement")


def test_readings_from_before_that_come_late_bring_the_turn_forward(real: RealYard) -> None:
    """A probe that was out of reach delivers its stored readings: the pile had been hot for two days."""
    real.read(61.0, until=NOW + HOUR)
    real.clock.at = NOW + 50 * HOUR
    real.read(61.0, since=NOW + 50 * HOUR, until=NOW + 50 * HOUR)
    assert [k for k, _ in real.says()] == []
    real.read(61.0, since=NOW + 90 * MINUTE, until=NOW + 50 * HOUR)
    assert real.says() == [("turn_due", "first")]


def test_a_silent_probe_is_told_by_the_clock_alone(real: RealYard) -> None:
    real.read(58.0, until=NOW + 5 * HOUR)
    real.clock.at += 89 * MINUTE
    real.watch.tick(real.clock.now())
    assert real.says() == []
    real.clock.at += MINUTE
    real.watch.tick(real.clock.now())
    assert real.says() == [("probe_silent", "first")]


def test_a_record_of_weeks_that_is_loaded_piece_by_piece_tells_only_what_is_so_at_its_end(
    real: RealYard,
) -> None:
    now = NOW + 20 * 24 * HOUR
    real.clock.at = now
    hot_until = NOW + 2 * 24 * HOUR
    for day in range(20):
        celsius = 78.0 if NOW + day * 24 * HOUR < hot_until else 30.0
        batch = [
            Reading(SENSOR, Millis(at), celsius + (0.2 if at % HOUR else 0.0), Millis(now))
            for at in range(NOW + day * 24 * HOUR, NOW + (day + 1) * 24 * HOUR, 30 * MINUTE)
        ]
        real.readings.append(batch)
        real.watch.tick(Millis(now))
    kinds = {notice.kind for notice in real.told()}
    assert "fire_watch" not in kinds
    assert "not_heating" not in kinds
    assert "cooled" in kinds
