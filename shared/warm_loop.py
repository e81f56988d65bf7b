"""Keeps the heat book warm, so that no visitor waits for sums: at the start all piles, then what changes and ages."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence

from shared.heat.report import HeatReport
from shared.heat_book import HeatBook
from shared.kept_reports import AT_MOST
from shared.piles import Pile
from shared.ports import Registry, StorageError
from shared.round import FRESH_MS
from shared.times import MINUTE, Clock, Millis

log = logging.getLogger(__name__)

PAUSE_S = 2.0
LOOKED_AT_S = 180.0
"""So long after somebody looked at the round its reports are still renewed as they age."""
UNSEEN_MS = 12 * MINUTE
"""Renewed at this age when nobody looks: before the page calls it too old, and after a probe that speaks every ten
minutes has made it new."""
SETTLED_S = 300.0
"""What changed within so long is left to the watch beside, which looks at it at once."""
STRETCH_S = 1.0  # of work between two beats


class WarmLoop:
    """The Loop "warm"."""

    name = "warm"

    def __init__(
        self,
        registry: Registry,
        book: HeatBook,
        clock: Clock,
        *,
        beside_watch: bool,
        speed: float = 1.0,
        then: Callable[[Sequence[HeatReport], float], object] = lambda _reports, _patience_s: None,
    ) -> None:
        """``beside_watch``: a watch runs in this process, on the same book. ``speed``: how fast the clock runs (the
        demo's does). ``then`` is given the reports of the open piles and the seconds it may take: the pages keep their
        small curves ready."""
        self._registry, self._book, self._clock = registry, book, clock
        self._settled_s = SETTLED_S if beside_watch else 0.0
        self._version: int | None = None
        self._known: list[Pile] = []
        self._speed, self._then = max(1.0, speed), then

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        lost = False
        while not stop.is_set():
            try:
                done = self.step(self._clock.now())
                if lost:
                    log.info("loop=warm event=store_back")
                lost = False
            except StorageError as error:
                done = True
                if not lost:
                    log.warning("loop=warm event=store_lost error=%s", error)
                lost = True
            beat()
            if done:
                stop.wait(PAUSE_S)

    def _piles(self) -> list[Pile]:
        """Read again only when something was written: of thousands the list alone takes its time."""
        version = self._registry.version()
        if version != self._version:
            self._known, self._version = self._registry.piles.all(), version
        return self._known

    def step(self, now: Millis) -> bool:
        """Work for about STRETCH_S; True when nothing is left to do for now. Open piles before finished ones; where
        there are more than reports are kept, none: they would drive each other out."""
        looked = time.monotonic() - self._book.looked_at_s < LOOKED_AT_S
        fresh_ms = round((FRESH_MS / 2 if looked else UNSEEN_MS) * self._speed)
        piles = self._piles()
        ready = [pile.id for pile in piles if pile.finished_at is None and pile.built_at <= now]
        if len(ready) > AT_MOST:
            return True
        begun = time.monotonic()
        reports = self._book.reports(
            ready, now, fresh_ms=fresh_ms, patience_s=STRETCH_S, settled_s=self._settled_s
        )
        if (left := STRETCH_S - (time.monotonic() - begun)) <= 0:
            return False
        self._then(list(reports.values()), left)
        if (left := STRETCH_S - (time.monotonic() - begun)) <= 0:
            return False
        closed = [pile for pile in piles if pile.finished_at is not None]
        self._book.closed_reports(closed, patience_s=left)
        return time.monotonic() - begun < STRETCH_S
