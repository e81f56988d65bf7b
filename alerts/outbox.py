"""The sender: claims what is due by a lease and has it sent, until it is told to stop."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from alerts.channels import SENDERS
from alerts.channels.port import Sender
from alerts.heartbeat import Heartbeat
from alerts.outbox_delivery import Delivery
from alerts.outbox_hands import Hands
from alerts.outbox_pace import Pace
from alerts.pictures import Pictures
from shared.people import ChannelKind
from shared.ports import Registry, StorageError
from shared.settings import Settings
from shared.times import Clock

if TYPE_CHECKING:
    from shared.heat_book import HeatBook

log = logging.getLogger(__name__)

STOP_WITHIN_S = 4.0
STORE_PAUSE_S = 1.0


class SendLoop:
    """Any number of them may work on one registry. A send that hangs at the stop, or is cut off by a crash, goes out
    again under the same key once its lease has run out."""

    name = "send"

    def __init__(
        self,
        registry: Registry,
        book: HeatBook,
        settings: Settings,
        clock: Clock,
        *,
        pace: Pace | None = None,
        senders: Mapping[ChannelKind, Sender] | None = None,
    ) -> None:
        self._registry, self._clock, self._pace = registry, clock, pace or Pace()
        self._senders = (
            senders if senders is not None else {kind: make(settings) for kind, make in SENDERS.items()}
        )
        self._pictures = Pictures(registry, book, clock)
        self._heartbeat = Heartbeat(registry, clock, settings.notices.heartbeat_url)

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        delivery = Delivery(self._registry, self._clock, self._pace, self._senders, self._pictures.draw)
        hands = Hands(self._registry, self._clock, self._pace, delivery)
        failing = False
        while not stop.is_set() and hands.broken is None:
            try:
                claimed = self._step(hands)
            except StorageError as error:
                if not failing:
                    log.warning("loop=send event=store_lost error=%s", error)
                failing = True
                stop.wait(STORE_PAUSE_S)
                continue
            if failing:
                log.info("loop=send event=store_back")
            failing = False
            beat()
            if not claimed:
                hands.freed.wait(self._pace.poll_s)
                hands.freed.clear()
        hands.drain(STOP_WITHIN_S)
        if hands.broken is not None:
            raise hands.broken

    def _step(self, hands: Hands) -> int:
        """Renew, claim and hand out; how many were claimed."""
        hands.renew()
        self._heartbeat.perhaps()
        room, now = self._pace.in_hand - hands.busy, self._clock.now()
        if room < self._pace.in_hand // 2:
            return 0
        due = self._registry.notices.next_due()
        if due is None or due > now:
            return 0
        claimed = self._registry.notices.claim(now, hands.lease_ms, room)
        hands.take(claimed)
        return len(claimed)
