"""Sites, piles and probes as a caller finds them whose role does not hold on every site."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, TypeVar

from api.auth_reach import Reach
from api.problems import ProblemError
from shared.piles import Pile, Placement
from shared.ports import Registry
from shared.probes import Probe

Thing = TypeVar("Thing")


class Narrow:
    allowed: frozenset[str] = frozenset()  # as they are: what they give belongs to no site

    def __init__(self, noun: str, whole: Registry, reach: Reach) -> None:
        self.noun, self.whole, self.part, self.reach = noun, whole, getattr(whole, noun), reach

    def __getattr__(self, name: str) -> Any:
        if name in self.allowed:
            return getattr(self.part, name)
        raise ProblemError(403, f"This needs the role {self.reach.needed} on every site.")

    def keep(self, found: Iterable[Thing], site_of: Callable[[Thing], str | None]) -> list[Thing]:
        return [one for one in found if self.reach.sees(site_of(one))]

    def pile_site(self, pile_id: str | None) -> str | None:
        return None if pile_id is None else self.whole.piles.get(pile_id).site

    def checked_pile(self, pile_id: str) -> str:
        self.reach.check(self.pile_site(pile_id), f"no pile {pile_id}")
        return pile_id


class NarrowedSites(Narrow):
    def get(self, slug: str) -> Any:
        self.reach.check(slug, f"no site {slug}")
        return self.part.get(slug)

    def all(self) -> Any:
        return self.keep(self.part.all(), lambda site: site.slug)


class NarrowedPiles(Narrow):
    def __init__(self, noun: str, whole: Registry, reach: Reach) -> None:
        super().__init__(noun, whole, reach)
        self._met: set[str] = set()  # turns and notes that were looked up by their pile

    def add(self, pile: Pile) -> None:
        self.reach.check(pile.site, f"no site {pile.site}")
        self.part.add(pile)

    def get(self, pile_id: str) -> Any:
        pile = self.part.get(pile_id)
        self.reach.check(pile.site, f"no pile {pile_id}")
        return pile

    def by_peg(self, site: str, peg: str) -> Any:
        self.reach.check(site, f"no pile {peg} on site {site}")
        return self.part.by_peg(site, peg)

    def all(self, *, site: str | None = None, open_only: bool = False) -> Any:
        return self.keep(self.part.all(site=site, open_only=open_only), lambda pile: pile.site)

    def change(self, pile_id: str, **fields: Any) -> Any:
        self.checked_pile(pile_id)
        if "site" in fields:
            self.reach.check(fields["site"])
        return self.part.change(pile_id, **fields)

    def add_turn(self, turn: Any) -> None:
        self.checked_pile(turn.pile_id)
        self.part.add_turn(turn)
        self._met.add(turn.id)

    def turns(self, pile_id: str) -> Any:
        return self._meet(self.part.turns(self.checked_pile(pile_id)))

    def change_turn(self, turn_id: str, **fields: Any) -> Any:
        return self.part.change_turn(self._known(turn_id), **fields)

    def add_note(self, note: Any) -> None:
        self.checked_pile(note.pile_id)
        self.part.add_note(note)
        self._met.add(note.id)

    def notes(self, pile_id: str) -> Any:
        return self._meet(self.part.notes(self.checked_pile(pile_id)))

    def save_photo(self, note_id: str, jpeg: bytes) -> None:
        self.part.save_photo(self._known(note_id), jpeg)

    def photo(self, note_id: str) -> Any:
        return self.part.photo(self._known(note_id))

    def _meet(self, found: list[Any]) -> list[Any]:
        self._met.update(one.id for one in found)
        return found

    def _known(self, id_: str) -> str:
        if id_ not in self._met:
            self.reach.check(None)
        return id_


class NarrowedProbes(Narrow):
    def add(self, probe: Probe) -> None:
        self.reach.check(probe.site)
        self.part.add(probe)

    def get(self, probe_id: str) -> Any:
        probe = self.part.get(probe_id)
        self.reach.check(probe.site, f"no probe {probe_id}")
        return probe

    def named(self, site: str, name: str) -> Any:
        self.reach.check(site)
        return self.part.named(site, name)

    def all(self, site: str | None = None) -> Any:
        return self.keep(self.part.all(site), lambda probe: probe.site)

    def change(self, probe_id: str, **fields: Any) -> Any:
        return self.part.change(self.get(probe_id).id, **fields)

    def place(self, placement: Placement) -> None:
        self.checked_pile(placement.pile_id)
        self.reach.check(placement.site)
        self.part.place(placement)

    def placement(self, placement_id: str) -> Any:
        placement = self.part.placement(placement_id)
        self.reach.check(placement.site, f"no placement {placement_id}")
        return placement

    def change_placement(self, placement_id: str, **fields: Any) -> Any:
        self.placement(placement_id)
        if "pile_id" in fields:
            self.checked_pile(fields["pile_id"])
        if "site" in fields:
            self.reach.check(fields["site"])
        return self.part.change_placement(placement_id, **fields)

    def delete_placement(self, placement_id: str) -> None:
        self.part.delete_placement(self.placement(placement_id).id)

    def placements(self, **which: Any) -> Any:
        return self.keep(self.part.placements(**which), lambda placement: placement.site)

    def calibrate(self, calibration: Any) -> None:
        self.reach.check(calibration.site)
        self.part.calibrate(calibration)

    def calibrations(self, site: str, probe: str) -> Any:
        self.reach.check(site)
        return self.part.calibrations(site, probe)
