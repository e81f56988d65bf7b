"""The round: the open piles of a site in order of need, each with what to do, by when, and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Protocol

from shared.episodes import Episode
from shared.heat.report import HeatReport
from shared.piles import Pile
from shared.ports import Registry
from shared.round_verdict import NEEDS, Figure, Need, hottest_figure, judge
from shared.times import MINUTE, SECOND, Millis
from shared.units import Units

FRESH_MS = 30 * SECOND
"""What the sums said of an unchanged pile so long ago still holds for the order of need."""
OLDEST_MS = 15 * MINUTE
"""Where many are shown at once, none is older."""


class Reports(Protocol):
    """A HeatBook."""

    def reports(
        self, pile_ids: Iterable[str], now: Millis, *, fresh_ms: int = ...
    ) -> Mapping[str, HeatReport]: ...


@dataclass(frozen=True, slots=True)
class RoundRow:
    pile: Pile
    zone: str  # the site's IANA zone
    need: Need
    act: str
    by: Millis | None
    why: str
    figure: Figure
    report: HeatReport
    episodes: tuple[Episode, ...] = ()


def round_list(
    registry: Registry,
    book: Reports,
    now: Millis,
    site: str | None = None,
    *,
    units: Units = "celsius",
) -> list[RoundRow]:
    """Open piles of ``site`` (None = all), the most pressing first; ``why`` speaks in ``units``."""
    piles = open_piles(registry, now, site)
    reports = book.reports([pile.id for pile in piles], now, fresh_ms=FRESH_MS)
    return round_rows(registry, piles, reports, units)


def open_piles(registry: Registry, now: Millis, site: str | None = None) -> list[Pile]:
    return [pile for pile in registry.piles.all(site=site, open_only=True) if pile.built_at <= now]


def round_rows(
    registry: Registry, piles: Iterable[Pile], reports: Mapping[str, HeatReport], units: Units = "celsius"
) -> list[RoundRow]:
    """The rows of those piles that have a report, the most pressing first."""
    zones = {found.slug: found.zone for found in registry.sites.all()}
    episodes: dict[str, list[Episode]] = {}
    for episode in registry.episodes.unresolved():
        if episode.pile_id:
            episodes.setdefault(episode.pile_id, []).append(episode)
    rows = [
        round_row(
            pile,
            zones.get(pile.site, "UTC"),
            reports[pile.id],
            tuple(episodes.get(pile.id, ())),
            units,
        )
        for pile in piles
        if pile.id in reports
    ]
    return sorted(rows, key=_order)


def round_row(
    pile: Pile,
    zone: str,
    report: HeatReport,
    episodes: tuple[Episode, ...] = (),
    units: Units = "celsius",
) -> RoundRow:
    figure = hottest_figure(report)
    verdict = judge(report, figure, {episode.kind: episode for episode in episodes}, units)
    return RoundRow(pile, zone, verdict.need, verdict.act, verdict.by, verdict.why, figure, report, episodes)


def _order(row: RoundRow) -> tuple[int, int, float, str]:
    by = row.by if row.by is not None else 2**62
    return (NEEDS.index(row.need), by, -(row.figure.celsius or -273.0), row.pile.peg)
