"""How often a probe speaks, learnt from when it spoke."""

from __future__ import annotations

from bisect import bisect_left
from statistics import median
from typing import Final

from shared.times import DAY, SECOND

_KEPT: Final = 17
_ENOUGH_GAPS: Final = 4
_SHORTEST_MS, _LONGEST_MS = SECOND, 7 * DAY


class Cadence:
    """The newest instants of one probe's messages, each told by the newest reading in it: so a backlog delivered in one
    burst, in any order, teaches the same as if it had come in time."""

    __slots__ = ("_instants",)

    def __init__(self) -> None:
        self._instants: list[int] = []

    def heard(self, at: int) -> None:
        place = bisect_left(self._instants, at)
        if place < len(self._instants) and self._instants[place] == at:
            return
        self._instants.insert(place, at)
        if len(self._instants) > _KEPT:
            del self._instants[0]

    def interval_ms(self) -> int | None:
        """The median gap; None until there are enough. One outage, or one burst, does not move a median."""
        gaps = [later - earlier for earlier, later in zip(self._instants, self._instants[1:], strict=False)]
        gaps = [gap for gap in gaps if _SHORTEST_MS <= gap <= _LONGEST_MS]
        return round(median(gaps)) if len(gaps) >= _ENOUGH_GAPS else None
