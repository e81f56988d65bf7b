"""What the watch still has to look at, and when it has to look again though nothing changes. In memory: after a start
the first look at every place fills it."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from alerts.deadlines import Deadlines, Place
from shared.times import Millis


class Agenda:
    """Places stay on it until they have been looked at; ``anew`` = weigh their episodes though nothing happened."""

    def __init__(self, mine: Callable[[Place], bool] = lambda _place: True) -> None:
        """A place that is not ``mine`` never comes onto it."""
        self._mine = mine
        self.deadlines = Deadlines()
        self._waiting: dict[Place, bool] = {}

    def add(self, place: Place, *, anew: bool = False) -> None:
        if self._mine(place):
            self._waiting[place] = self._waiting.get(place, False) or anew

    def add_piles(self, pile_ids: Iterable[str]) -> None:
        for pile_id in pile_ids:
            self.add(Place("pile", pile_id))

    def add_due(self, now: Millis) -> None:
        for place in self.deadlines.due(now):
            self.add(place)

    def plan(self, place: Place, at: Millis | None) -> None:
        """It has been looked at; ``at``: when to look again though nothing changes."""
        self._waiting.pop(place, None)
        if self._mine(place):
            self.deadlines.set(place, at)

    def anew(self, place: Place) -> bool:
        return self._waiting.get(place, False)

    def waiting(self, scope: str) -> list[Place]:
        """In the order in which they came."""
        return [place for place in self._waiting if place.scope == scope]

    def __contains__(self, place: object) -> bool:
        return place in self._waiting

    def __len__(self) -> int:
        return len(self._waiting)
