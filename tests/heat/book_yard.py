"""A yard on real stores for the tests of the book."""

from __future__ import annotations

from dataclasses import dataclass, field

from shared.heat.catalogue import Catalogue
from shared.heat.compose import heat_report
from shared.heat_book import HeatBook
from shared.heat_facts import FactsShelf
from shared.ports import ReadingsStore, Registry
from shared.readings import Reading, SensorKey
from shared.times import HOUR, MINUTE, Millis, Span

BUILT = Millis(1_700_000_000_000)
GAP = 180 * MINUTE
CATALOGUE = Catalogue.load()
KEY = SensorKey("larkfield", "P-01", "45")
OTHER = SensorKey("larkfield", "P-01", "15")


@dataclass
class Yard:
    """Two open piles, one probe in the first."""

    readings: ReadingsStore
    registry: Registry
    book: HeatBook
    now: Millis = BUILT
    reads: list[SensorKey] = field(default_factory=list)

    def hear(self, key: SensorKey, start_h: float, *values: float, step_ms: int = HOUR) -> None:
        batch = [
            Reading(key, Millis(BUILT + round(start_h * HOUR) + k * step_ms), value, self.now)
            for k, value in enumerate(values)
        ]
        self.readings.append(batch)
        self.now = Millis(max(self.now, batch[-1].at))

    def hours(self, pile: str = "pile-1", threshold: str = "55") -> float | None:
        return self.book.report(pile, self.now).hottest.hours_above[threshold]

    def afresh(self, pile_id: str = "pile-1") -> str:
        """The same report from the stores alone."""
        facts = FactsShelf(self.registry)
        facts.renew()
        found = facts.facts(pile_id)
        curves = {
            one.sensor: self.readings.read(one.sensor, Span(Millis(0))) for one in self.readings.sensors()
        }
        rules = [CATALOGUE.rules[id_] for id_ in found.pile.rule_ids]
        return heat_report(
            found, curves, self.now, CATALOGUE.guide(found.pile.guide_id), rules, GAP
        ).model_dump_json()

    def said(self, pile_id: str = "pile-1") -> str:
        return self.book.report(pile_id, self.now).model_dump_json()
