"""When time alone wants another look at a place. In memory; after a start the first look at every place fills it."""

from __future__ import annotations

import heapq
from typing import Literal, NamedTuple, TypeVar

from shared.times import Millis

_Instant = TypeVar("_Instant", bound=int)


def soonest(*instants: _Instant | None) -> _Instant | None:
    return min((at for at in instants if at is not None), default=None)


class Place(NamedTuple):
    """A pile by id, a site by slug, the service (name ""), or a person's morning by the person's id."""

    scope: Literal["pile", "site", "service", "morning"]
    name: str = ""


class Deadlines:
    """One deadline for each place; setting it again moves it. The cost is that of what is due, not of all there is."""

    def __init__(self) -> None:
        self._at: dict[Place, int] = {}
        self._heap: list[tuple[int, Place]] = []

    def __len__(self) -> int:
        return len(self._at)

    def __contains__(self, place: object) -> bool:
        return place in self._at

    def set(self, place: Place, at: Millis | None) -> None:
        """None = no deadline any more."""
        if at is None:
            self._at.pop(place, None)
        elif self._at.get(place) != at:
            self._at[place] = at
            heapq.heappush(self._heap, (at, place))

    def due(self, now: Millis) -> list[Place]:
        """The places whose deadline has come, the earliest first; their deadlines are gone then."""
        places = []
        while self._heap and self._heap[0][0] <= now:
            at, place = heapq.heappop(self._heap)
            if self._at.get(place) == at:
                del self._at[place]
                places.append(place)
        return places

    def next_at(self) -> Millis | None:
        while self._heap and self._at.get(self._heap[0][1]) != self._heap[0][0]:
            heapq.heappop(self._heap)
        return Millis(self._heap[0][0]) if self._heap else None
