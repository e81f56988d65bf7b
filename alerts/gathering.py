"""Gathers snapshots from the registry and the heat book. What people rarely change is read again only when it changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from alerts.deadlines import soonest
from alerts.snapshot import PlacedProbe, SiteRadio, Snapshot
from shared.heat.catalogue import Catalogue
from shared.piles import Pile, Placement, Site, Turn
from shared.ports import Registry
from shared.probes import Probe
from shared.settings import BatteryCells
from shared.times import Millis

if TYPE_CHECKING:
    from shared.heat_book import HeatBook


@dataclass(frozen=True, slots=True)
class _Facts:
    pile: Pile
    placements: tuple[Placement, ...]
    turns: tuple[Turn, ...]

    def ahead_of(self, now: Millis) -> list[Millis]:
        """What is entered by a clock that is ahead of ours, or for a later day."""
        instants = [self.pile.built_at, self.pile.finished_at, *(turn.at for turn in self.turns)]
        instants += [edge for one in self.placements for edge in (one.span.start, one.span.end)]
        return [at for at in instants if at is not None and at > now]


class Gatherer:
    def __init__(
        self,
        registry: Registry,
        book: HeatBook,
        catalogue: Catalogue,
        cells: BatteryCells | None = None,
    ) -> None:
        self._registry, self._book, self._catalogue, self._cells = registry, book, catalogue, cells
        self._version: int | None = None
        self._facts: dict[str, _Facts] = {}
        self._sites: dict[str, Site] = {}
        self._radios: dict[str, SiteRadio | None] = {}
        self._heard: dict[tuple[str, str], Probe | None] = {}  # of this tick
        self._as_read: frozenset[str] = frozenset()  # piles that were read ahead in this tick

    def refresh(self) -> None:
        """Before a tick: forget what has changed since the last one."""
        self._radios.clear()
        self._heard.clear()
        self._as_read = frozenset()
        version = self._registry.version()
        if version != self._version:
            self._facts.clear()
            self._sites = {site.slug: site for site in self._registry.sites.all()}
            self._version = version

    def sites(self) -> list[str]:
        return list(self._sites)

    def expect(self, pile_ids: Iterable[str], now: Millis, between: Callable[[], None]) -> None:
        """These are looked at next: what they and their probes have to say is asked for at once, where that can be.

        A pile that is gone or cannot be read is found out when it is looked at by itself. ``between`` is called now and
        then in the course of it.
        """
        names: list[tuple[str, str]] = []
        live: list[str] = []
        # what fails here fails again in ``pile``, where only the pile that is at fault has to answer for it
        with suppress(Exception):
            for pile_id in pile_ids:
                facts = self._facts_of(pile_id)
                if not _idle(facts.pile, now):
                    names += [(one.site, one.probe) for one in facts.placements if now in one.span]
                    live.append(pile_id)
            self._heard |= dict.fromkeys(names) | self._registry.probes.named_many(names)
            self._book.read_ahead(live, now, between)
            self._as_read = frozenset(live)

    def pile(self, pile_id: str, now: Millis, *, ahead_ms: int = 0) -> Snapshot:
        """Raises NotFound when there is no such pile, StorageError when a store fails."""
        facts = self._facts_of(pile_id)
        pile = facts.pile
        idle = _idle(pile, now)
        standing = () if idle else tuple(self._standing(facts.placements, now))
        return Snapshot(
            now,
            site=self._sites.get(pile.site),
            pile=pile,
            report=None if idle else self._book.report(pile_id, now, as_read=pile_id in self._as_read),
            probes=standing,
            turns=facts.turns,
            guide=self._catalogue.guides.get(pile.guide_id or "", self._catalogue.default_guide),
            radio=self.radio(pile.site, now) if any(_past(p, now) for p in standing) else None,
            cells=self._cells,
            ahead_ms=ahead_ms,
            takes_effect_at=soonest(
                *facts.ahead_of(now), None if idle else self._book.ahead_at(pile_id, now)
            ),
        )

    def site(self, slug: str, now: Millis) -> Snapshot:
        return Snapshot(now, site=self._sites.get(slug), radio=self.radio(slug, now))

    def radio(self, slug: str, now: Millis) -> SiteRadio | None:
        """None while no probe in an open pile of the site has ever spoken."""
        if slug not in self._radios:
            self._radios[slug] = self._hear(slug, now)
        return self._radios[slug]

    def _hear(self, slug: str, now: Millis) -> SiteRadio | None:
        open_piles = {
            pile.id
            for pile in self._registry.piles.all(site=slug, open_only=True)
            if pile.finished_at is None or pile.finished_at > now
        }
        probes = {probe.name: probe for probe in self._registry.probes.all(slug)}
        placed = [
            PlacedProbe(placement, probes.get(placement.probe))
            for placement in self._registry.probes.placements(site=slug)
            if placement.pile_id in open_piles and now in placement.span
        ]
        heard = [(p.heard_at, p.interval_ms) for p in placed if p.heard_at is not None]
        if not heard:
            return None
        return SiteRadio(len(heard), max(at for at, _ in heard), min(interval for _, interval in heard))

    def _facts_of(self, pile_id: str) -> _Facts:
        facts = self._facts.get(pile_id)
        if facts is None:
            facts = self._facts[pile_id] = _Facts(
                self._registry.piles.get(pile_id),
                tuple(self._registry.probes.placements(pile_id=pile_id)),
                tuple(self._registry.piles.turns(pile_id)),
            )
        return facts

    def _standing(self, placements: Sequence[Placement], now: Millis) -> list[PlacedProbe]:
        return [
            PlacedProbe(placement, self._probe(placement.site, placement.probe))
            for placement in placements
            if now in placement.span
        ]

    def _probe(self, site: str, name: str) -> Probe | None:
        if (site, name) not in self._heard:
            self._heard[site, name] = self._registry.probes.named(site, name)
        return self._heard[site, name]


def _idle(pile: Pile, now: Millis) -> bool:
    """Nothing is asked of it: it is over, or not built yet."""
    return pile.built_at > now or (pile.finished_at is not None and pile.finished_at <= now)


def _past(placed: PlacedProbe, now: Millis) -> bool:
    return placed.deadline_at <= now
