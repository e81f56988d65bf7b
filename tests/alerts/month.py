"""A month of a yard with thirty simulated piles, one maker, and the real watch on real files: what is he told?

``python -m tests.alerts.month [piles] [days]`` prints every kind with its count, and each pile's messages.
The piles are those of ``shared.pile_model``; the maker is invented (``tests/alerts/maker.py``).
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from alerts.worker import WatchLoop
from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.notices import Notice
from shared.people import Channel, Person, Subscription
from shared.pile_model.parameters import draw, overheating, too_dry
from shared.pile_model.probes import SimulatedProbe
from shared.pile_model.simulation import Simulation
from shared.pile_model.weather import STEP_S, draw_weather
from shared.piles import Pile, Placement, Site
from shared.readings import Reading, SensorKey, canonical_depth
from shared.settings import Settings
from shared.stores import open_readings, open_registry
from shared.times import DAY, HOUR, MINUTE, Millis, Span, parse_time, to_datetime
from tests.alerts.maker import Maker

BEGIN = parse_time("2026-10-05T06:00:00Z")
EVERY_MS = 30 * MINUTE
ZONE = "Europe/Dublin"
SETTINGS = Settings.model_validate({"quiet_hours": {"from": "22:00", "to": "06:30"}})


@dataclass
class Month:
    """``run`` plays it; ``notices`` is what was stored."""

    folder: Path
    piles: int = 30
    days: int = 30
    seed: int = 5
    every_ms: int = EVERY_MS
    now: int = BEGIN
    notices: list[Notice] = field(default_factory=list)
    turns: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)
        rng = np.random.default_rng(self.seed)
        kinds = ["caged" if number % 3 else "windrow" for number in range(self.piles)]
        drawn = [draw("caged" if kind == "caged" else "windrow", rng) for kind in kinds]
        if self.piles > 4:
            drawn[3], drawn[4] = too_dry(drawn[3]), overheating(drawn[4])
        self.simulation = Simulation(drawn, draw_weather(self.days + 1, rng, mean_c=16.0))
        self.registry = open_registry(self.folder / "registry.db")
        self.readings = open_readings(self.folder / "readings.db")
        self.book = HeatBook(self.readings, self.registry, Catalogue.load(), SETTINGS.max_gap_ms)
        self.watch = WatchLoop(self.registry, self.book, SETTINGS, _Clock(self), Catalogue.load())
        self.probes = [
            SimulatedProbe(
                f"p-{number:02}", number, (15.0, 40.0) if kinds[number] == "caged" else (20.0, 60.0), rng
            )
            for number in range(self.piles)
        ]
        self.new_battery: dict[int, int] = {}  # probe number -> when it got one
        self.silent: dict[int, int] = {}  # probe number -> silent until
        self._settle_in(kinds)
        self.maker = Maker(self, self.chance)

    def _settle_in(self, kinds: list[str]) -> None:
        with self.registry.begin() as tx:
            tx.sites.add(Site("larkfield", "Larkfield Yard", ZONE))
            tx.people.add(Person("ada", "Ada", ZONE))
            tx.people.add_channel(Channel("ada-mail", "ada", "email", "ada@example.org"))
            tx.people.subscribe(Subscription("all", "ada"))
            for number, probe in enumerate(self.probes):
                pile = Pile(
                    f"pile-{number:02}", "larkfield", f"K-{number + 1:02}", Millis(self.now),
                    kind=kinds[number], rule_ids=("three-turns",),
                )  # fmt: skip
                tx.piles.add(pile)
                tx.probes.heard(
                    "larkfield",
                    probe.name,
                    Millis(self.now),
                    {"interval_ms": self.every_ms, "battery_percent": 100.0},
                )
                tx.probes.place(
                    Placement(f"pl-{number}", "larkfield", probe.name, pile.id, Span(pile.built_at), "middle")
                )

    def turn(self, pile_id: str) -> None:
        """The pile is turned, whether anyone logs it or not."""
        number = int(pile_id.removeprefix("pile-"))
        self.simulation.turn(number, water_to=0.58)
        self.probes[number].replaced_after_a_turn()
        self.turns[pile_id] += 1

    # the clock that the watch is given
    def at(self) -> Millis:
        return Millis(self.now)

    def run(self) -> Month:
        steps = self.every_ms // (STEP_S * 1000)
        for turn_of_clock in range(self.days * DAY // self.every_ms):
            for _ in range(steps):
                self.simulation.step()
            self.now += self.every_ms
            self._speak()
            self.watch.tick(Millis(self.now))
            self.watch.tick(Millis(self.now + 1))
            if (turn_of_clock + 1) * self.every_ms % HOUR == 0:
                self.maker.hour()
        self.notices = list(reversed(self.registry.notices.all(limit=1_000_000)))
        return self

    def _speak(self) -> None:
        batch: list[Reading] = []
        with self.registry.begin() as tx:
            for number, probe in enumerate(self.probes):
                values = probe.read(self.simulation)
                if self.chance.random() < 0.0006:
                    self.silent[number] = self.now + self.chance.randint(1, 30) * HOUR
                if self.silent.get(number, 0) > self.now or self.chance.random() < 0.02:
                    continue
                battery = max(0.0, 100.0 - number * 3.2 - (self.now - BEGIN) / DAY * 0.4)
                if self.new_battery.get(number, self.now) < self.now:
                    battery = 100.0
                tx.probes.heard("larkfield", probe.name, Millis(self.now), {"battery_percent": battery})
                batch += [
                    Reading(
                        SensorKey("larkfield", probe.name, canonical_depth(depth)),
                        Millis(self.now),
                        value,
                        Millis(self.now),
                    )
                    for depth, value in values.items()
                ]
        self.readings.append(batch)

    def told(self) -> list[Notice]:
        return [notice for notice in self.notices if notice.state != "withheld"]

    def close(self) -> None:
        self.registry.close()
        self.readings.close()


class _Clock:
    def __init__(self, month: Month) -> None:
        self._month = month

    def now(self) -> Millis:
        return self._month.at()


def table(month: Month) -> str:
    told = month.told()
    lines = [
        f"{month.piles} piles, {month.days} days, {sum(month.turns.values())} turns done, {len(told)} messages"
    ]
    for (kind, reason), count in sorted(Counter((n.kind, n.reason) for n in told).items()):
        lines.append(f"  {kind:16} {reason:10} {count:4}")
    withheld = Counter((n.kind, n.reason) for n in month.notices if n.state == "withheld")
    lines += [f"  withheld {kind:16} {why:18} {count:4}" for (kind, why), count in sorted(withheld.items())]
    idle = Counter((n.kind, n.reason) for n in month.maker.idle)
    lines.append(f"  led to something: {sum(month.maker.deeds.values())}; to nothing: {sum(idle.values())}")
    lines += [
        f"    nothing: {kind:16} {reason:10} {count:4}" for (kind, reason), count in sorted(idle.items())
    ]
    per_pile: dict[str, Counter[str]] = defaultdict(Counter)
    for notice in told:
        per_pile[notice.peg or "service"][
            notice.kind if notice.reason == "first" else f"{notice.kind}:{notice.reason}"
        ] += 1
    for peg, kinds in sorted(per_pile.items()):
        turned = month.turns[f"pile-{int(peg.removeprefix('K-')) - 1:02}"] if peg.startswith("K-") else 0
        lines.append(
            f"  {peg}: {turned} turns; "
            + ", ".join(f"{kind} {count}" for kind, count in sorted(kinds.items()))
        )
    days = Counter(to_datetime(n.at, ZONE).date() for n in told)
    lines.append(f"  a day: most {max(days.values(), default=0)}, mean {len(told) / month.days:.1f}")
    return "\n".join(lines)


def main() -> None:
    piles, days = [int(word) for word in sys.argv[1:]] or (30, 30)
    with tempfile.TemporaryDirectory() as folder:
        month = Month(Path(folder), piles, days).run()
        print(table(month))
        month.close()


if __name__ == "__main__":
    main()
