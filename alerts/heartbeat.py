"""The outgoing heartbeat: an outside address is fetched every minute while all is well here, so that someone else can
notice a dead machine by its silence."""

from __future__ import annotations

import logging
import threading
import time

from alerts.channels.port import SendError
from alerts.channels.webhook import Request, exchange, web_address
from alerts.outbox_pace import clock_rate
from shared.loops import BEATS
from shared.ports import Registry
from shared.times import Clock

log = logging.getLogger(__name__)

EVERY_S = 60.0
QUIET_AFTER_S = 60.0  # a loop whose stored beat is older than this is not well
LOOPS = ("ingest", "watch", "send")
DEADLINE_S = 10.0


class Heartbeat:
    def __init__(
        self, registry: Registry, clock: Clock, url: str | None, *, every_s: float = EVERY_S
    ) -> None:
        self._registry, self._clock, self._url, self._every_s = registry, clock, url, every_s
        self._next = time.monotonic()
        self._failing = False

    def perhaps(self) -> None:
        """Fetch the address if a minute has passed and every loop that left a beat is still beating."""
        if self._url is None or time.monotonic() < self._next:
            return
        self._next = time.monotonic() + self._every_s
        if self._all_beat():
            threading.Thread(target=self._fetch, args=(self._url,), name="heartbeat", daemon=True).start()

    def _all_beat(self) -> bool:
        beats = self._registry.memory.names(BEATS)
        known = [int(beats[f"{BEATS}{name}"]) for name in LOOPS if beats.get(f"{BEATS}{name}")]
        oldest = self._clock.now() - QUIET_AFTER_S * 1000 * clock_rate(self._clock)
        return all(at >= oldest for at in known)

    def _fetch(self, url: str) -> None:
        try:
            exchange(Request("GET", web_address(url), {}), allow_private=True, deadline_s=DEADLINE_S)
        except SendError as error:
            if not self._failing:
                log.warning("heartbeat event=lost why=%r", error.why)
            self._failing = True
        else:
            if self._failing:
                log.info("heartbeat event=back")
            self._failing = False
