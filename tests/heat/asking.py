"""Short questions to the sums, for tests."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from shared.heat.catalogue import Catalogue
from shared.heat.compose import heat_report
from shared.heat.facts import PileFacts
from shared.heat.report import HeatReport, SensorHeat
from shared.readings import Curve, SensorKey
from shared.times import Millis
from tests.heat.piles import BUILT, GAP, facts, sensor

CATALOGUE = Catalogue.load()


def report(
    curves: Mapping[SensorKey, Curve] | Curve,
    of: PileFacts | None = None,
    *,
    at: int | None = None,
    rules: Iterable[str] = (),
    max_gap_ms: int = GAP,
) -> HeatReport:
    """``at``: ms after the build; without it the last reading's instant. A lone curve is P-01 at 45 cm."""
    found = {sensor(): curves} if isinstance(curves, Curve) else curves
    last = max((int(curve.at[-1]) for curve in found.values() if len(curve)), default=int(BUILT))
    now = Millis(last if at is None else BUILT + at)
    asked = [CATALOGUE.rules[id_] for id_ in rules]
    return heat_report(of or facts(), found, now, CATALOGUE.default_guide, asked, max_gap_ms)


def only(found: HeatReport) -> SensorHeat:
    assert len(found.sensors) == 1
    return found.sensors[0]


def seconds(hours: float | None) -> float:
    """Rounded to the millisecond, which every sum is whole in."""
    assert hours is not None
    return round(hours * 3600, 3)
