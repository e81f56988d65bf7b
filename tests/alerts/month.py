"""A month of a yard with thirty simulated piles, one maker, and the real watch on real files: what is he told?

``python -m tests.alerts.month [piles] [days]`` prints every kind with its count, and each pile's messages.
The piles are those of ``shared.pile_model``; the maker's habits are invented: he sleeps from ten to six, reads messages
once an hour, turns what wants a turn two to nine hours later by daylight, forgets one log entry in ten, changes a
battery the day after he is asked to, and taps "seen" where there is nothing else to do.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
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
from shared.piles import Pile, Placement, Site, Turn
from shared.readings import Reading, SensorKey, canonical_depth
from shared.settings import Settings
from shared.stores import open_readings, open_registry
from shared.times import DAY, HOUR, MINUTE, Millis, Span, parse_time, to_datetime

BEGIN = parse_time("2026-10-05T06:00:00Z")
EVERY_MS = 30 * MINUTE
ZONE = "Europe/Dublin"
SETTINGS = Settings.model_validate({"quiet_hours": {"from": "22:00", "to": "06:30"}})
SEEN = {"not_heating", "cooled", "probe_silent", "probe_fault", "battery_low"}
TURNING = {"turn_due", "turn_overdue", "cool_pile", "fire_watch"}


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
        self.to_turn: dict[str, int] = {}
        self.new_battery: dict[int, int] = {}  # probe number -> when it got one
        self.silent: dict[int, int] = {}  # probe number -> silent until
        self._settle_in(kinds)

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
                self._live()
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

    def _live(self) -> None:
        """The maker, once an hour by day."""
        hour = to_datetime(Millis(self.now), ZONE).hour
        for episode in self.registry.episodes.unresolved():
            if episode.kind == "fire_watch" and episode.state == "open":  # this wakes him
                answer = replace(episode, state="acknowledged", acknowledged_at=Millis(self.now))
                self.registry.episodes.put(answer)
        if not 6 <= hour < 22:
            return
        for notice in self.registry.notices.claim(Millis(self.now), HOUR, 10_000):
            self.registry.notices.change(notice.id, state="sent", sent_at=Millis(self.now))
            if notice.kind in TURNING and notice.reason != "resolved" and notice.pile_id:
                self.to_turn.setdefault(notice.pile_id, self.now + self.chance.randint(2, 9) * HOUR)
            if notice.kind == "turn_found" and notice.pile_id:
                self._confirm(notice)
            if notice.kind in SEEN and notice.reason not in {"resolved", "corrected"}:
                self._seen(notice)
        for pile_id, at in list(self.to_turn.items()):
            if at <= self.now and 7 <= hour < 18:
                del self.to_turn[pile_id]
                self._turn(pile_id)

    def _seen(self, notice: Notice) -> None:
        episode = self.registry.episodes.get(notice.episode_id)
        if episode.state == "open":
            answer = replace(
                episode, state="acknowledged", acknowledged_at=Millis(self.now), acknowledged_by="Ada"
            )
            self.registry.episodes.put(answer)
        if notice.kind == "battery_low":
            self.new_battery[int(notice.figures["probe"].removeprefix("p-"))] = self.now + DAY

    def _turn(self, pile_id: str) -> None:
        number = int(pile_id.removeprefix("pile-"))
        self.simulation.turn(number, water_to=0.58)
        self.probes[number].replaced_after_a_turn()
        self.turns[pile_id] += 1
        if self.chance.random() >= 0.1:
            self.registry.piles.add_turn(Turn(f"t-{pile_id}-{self.now}", pile_id, Millis(self.now), by="Ada"))

    def _confirm(self, notice: Notice) -> None:
        at = int(notice.figures["turn_at"])
        if notice.pile_id:
            self.registry.piles.add_turn(
                Turn(f"t-{notice.pile_id}-{at}", notice.pile_id, Millis(at), "detected", by="Ada")
            )

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
