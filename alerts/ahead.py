"""Which piles of a site will want a turn before the next round, so that one walk and one message serve them all.

In memory: after a start the first look at every pile fills it. What is not known here is told on its own, in its time.
"""

from __future__ import annotations

from collections.abc import Iterable

from alerts.conditions.turn_soon import AHEAD_MS, due_ahead_at
from alerts.deadlines import Place
from alerts.lifecycle import Change
from alerts.policy import TURNING
from alerts.snapshot import Snapshot
from shared.times import Millis


class Ahead:
    def __init__(self) -> None:
        self._due: dict[str, dict[str, Millis]] = {}  # site -> pile -> when it wants a turn, nobody told yet
        self._called: set[str] = set()  # sites to which someone is being called now

    def saw(self, snapshot: Snapshot, changes: Iterable[Change]) -> None:
        """One pile has been looked at."""
        pile = snapshot.pile
        if pile is None:
            return
        due_at, told = due_ahead_at(snapshot), False
        for change in changes:
            turning = change.episode.kind in TURNING and change.episode.state != "resolved"
            told = told or turning
            if turning and change.event == "opened":
                self._called.add(pile.site)
        piles = self._due.setdefault(pile.site, {})
        if due_at is None or told:
            piles.pop(pile.id, None)
        else:
            piles[pile.id] = due_at

    def call(self, site: str) -> None:
        self._called.add(site)

    def wanted(self, now: Millis) -> list[Place]:
        """The piles to be told along with what calls someone to their site; asked once for each call."""
        called, self._called = self._called, set()
        return [
            Place("pile", pile_id)
            for site in sorted(called)
            for pile_id, due_at in self._due.get(site, {}).items()
            if now < due_at <= now + AHEAD_MS
        ]
