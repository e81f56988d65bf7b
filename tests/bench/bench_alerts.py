"""What a tick of the watch costs: by how many piles changed, and by how many there are.

Real registry and readings store on files; the heat book is real where it says so, else it is told what to say (ten
thousand first reports take the machine some ten minutes, and are no part of a tick). Ratios within one run:
- ``alerts.tick_100_of_many``: 100 changed piles of many, told; baseline the same 100 changed of a tenth as many
- ``alerts.tick_200_of_many``: twice as many changed; baseline 100 changed
- ``alerts.tick_idle``: nothing changed; baseline a tick with 100 changed
- ``alerts.tick_per_pile_real_book``: of one changed pile within a tick; baseline its heat report alone
- ``alerts.tick_1000_go_bad``: each of 1000 changed piles opens an episode and a message; baseline as many that stay well
"""

from __future__ import annotations

import json
import os
import statistics
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import cast

from alerts.worker import WatchLoop
from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.people import Channel, Person, Subscription
from shared.piles import Pile, Placement, Site
from shared.readings import Reading, SensorKey
from shared.settings import Settings
from shared.stores import open_readings, open_registry
from shared.times import HOUR, MINUTE, Millis, Span, parse_time
from tests.alerts.made import a_report
from tests.alerts.watched import ToldBook

BUILT = parse_time("2026-11-20T06:00:00Z")
CHANGED = 100
ROUNDS = 7


class _Clock:
    at: int = BUILT

    def now(self) -> Millis:
        return Millis(self.at)


class _Yard:
    """``piles`` open piles, each with a probe of one depth and two readings."""

    def __init__(self, folder: Path, piles: int, *, told: bool = False) -> None:
        self.told = ToldBook() if told else None
        self.piles, self.clock = piles, _Clock()
        self.registry = open_registry(folder / "registry.db")
        self.readings = open_readings(folder / "readings.db")
        with self.registry.begin() as tx:
            tx.sites.add(Site("yard", "Yard", "Europe/Dublin"))
            tx.people.add(Person("ada", "Ada", "Europe/Dublin"))
            tx.people.add_channel(Channel("c", "ada", "email", "ada@example.org"))
            tx.people.subscribe(Subscription("s", "ada"))
            for number in range(piles):
                pile = Pile(f"pile-{number}", "yard", f"K-{number}", Millis(BUILT))
                tx.piles.add(pile)
                if self.told is not None:
                    self.told.said[pile.id] = partial(a_report, pile, hottest_c=58.0)
                tx.probes.heard(
                    "yard", f"p-{number}", Millis(BUILT), {"interval_ms": HOUR, "interval_fixed": True}
                )
                tx.probes.place(
                    Placement(
                        f"pl-{number}", "yard", f"p-{number}", f"pile-{number}", Span(Millis(BUILT)), "middle"
                    )
                )
        real = HeatBook(self.readings, self.registry, Catalogue.load(), Settings().max_gap_ms)
        self.book = real if self.told is None else cast("HeatBook", self.told)
        self.watch = WatchLoop(self.registry, self.book, Settings(), self.clock, Catalogue.load())
        self.speak(range(piles))
        self.first_s = self.drain()

    def speak(self, which: range, celsius: float = 58.0) -> None:
        self.clock.at += MINUTE
        now = Millis(self.clock.at)
        batch = [Reading(SensorKey("yard", f"p-{number}", "45"), now, celsius, now) for number in which]
        self.readings.append(batch)
        if self.told is not None:
            for number in which:
                self.told.touch(f"pile-{number}")

    def tick(self) -> float:
        began = time.perf_counter()
        self.watch.tick(self.clock.now())
        return time.perf_counter() - began

    def drain(self) -> float:
        """Seconds until nothing is left to be looked at: a tick takes only so many piles."""
        began = time.perf_counter()
        while self.watch.tick(self.clock.now()):
            pass
        return time.perf_counter() - began

    def ticks(self, changed: int) -> float:
        """Median seconds of a tick in which so many piles changed."""
        took = []
        for round_ in range(ROUNDS):
            first = round_ * changed % max(1, self.piles - changed)
            self.speak(range(first, first + changed))
            took.append(self.tick())
        return statistics.median(took)

    def report_s(self) -> float:
        """Seconds of one report of a pile that has just changed."""
        self.speak(range(CHANGED))
        began = time.perf_counter()
        for number in range(CHANGED):
            self.book.report(f"pile-{number}", self.clock.now())
        return (time.perf_counter() - began) / CHANGED

    def close(self) -> None:
        self.registry.close()
        self.readings.close()


def main() -> None:
    many = int(os.environ.get("BENCH_ALERTS_PILES", "10000"))
    with tempfile.TemporaryDirectory() as folder:
        few_yard = _Yard(_sub(folder, "few"), many // 10)
        real = few_yard.ticks(CHANGED)
        report = few_yard.report_s()
        few_yard.drain()
        changed = min(1000, many // 10)
        few_yard.speak(range(changed))
        well = few_yard.drain()
        few_yard.speak(range(changed), 72.0)
        bad = few_yard.drain()
        told = len(few_yard.registry.notices.all(limit=changed * 4))
        few_yard.close()
        first_s = few_yard.first_s
        told_yard = _Yard(_sub(folder, "told"), many // 10, told=True)
        few = told_yard.ticks(CHANGED)
        told_yard.close()
        yard = _Yard(_sub(folder, "many"), many, told=True)
        lot = yard.ticks(CHANGED)
        twice = yard.ticks(2 * CHANGED)
        idle = statistics.median(yard.tick() for _ in range(ROUNDS))
        yard.close()
    _line(f"alerts.tick_100_of_{many}", lot * 1e3, "ms", few * 1e3)
    _line(f"alerts.tick_{2 * CHANGED}_of_{many}", twice * 1e3, "ms", lot * 1e3)
    _line("alerts.tick_idle", idle * 1e3, "ms", lot * 1e3)
    _line("alerts.tick_per_pile_real_book", real / CHANGED * 1e3, "ms", report * 1e3)
    _line(f"alerts.tick_{changed}_go_bad", bad, "s", well)
    _line(f"alerts.rows_of_{changed}_gone_bad", told, "rows", changed)
    _line(f"alerts.first_look_at_{many // 10}_real_book", first_s, "s", report * many / 10)


def _sub(folder: str, name: str) -> Path:
    made = Path(folder) / name
    made.mkdir()
    return made


def _line(name: str, value: float, unit: str, baseline: float) -> None:
    ratio = value / baseline if baseline else None
    print(
        json.dumps(
            {
                "name": name,
                "value": round(value, 4),
                "unit": unit,
                "baseline": round(baseline, 4),
                "ratio": None if ratio is None else round(ratio, 3),
            }
        )
    )


if __name__ == "__main__":
    main()
