"""The notices under way: one thread for each channel that has some, and the leases that keep other senders off them."""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Iterable

from alerts.outbox_commit import GroupCommit
from alerts.outbox_delivery import Delivery, Outcome
from alerts.outbox_pace import Pace, clock_rate
from shared.notices import Notice
from shared.ports import Registry, StorageError, StoreBusy
from shared.times import Clock, Millis

log = logging.getLogger(__name__)

MARK_PAUSES_S = (0.05, 0.2, 0.5, 1.0, 2.0)  # an accepted message is worth some patience with a busy store
LONGEST_BACK_S = 5.0


class Hands:
    """Each channel is served in order, one notice at a time; slow channels do not hold up the others."""

    def __init__(self, registry: Registry, clock: Clock, pace: Pace, delivery: Delivery) -> None:
        self._registry, self._clock, self._pace, self._delivery = registry, clock, pace, delivery
        self._commit = GroupCommit(registry)
        self._rate = clock_rate(clock)
        self._lock = threading.Lock()
        self._leases: dict[str, Millis] = {}  # notice id -> until when it is ours
        self._underway: set[str] = set()  # notice ids from the taking until they are written down
        self._queues: dict[
            str, deque[Notice]
        ] = {}  # channel id -> notices; a key is there while a thread serves it
        self._took_s: dict[str, float] = {}  # channel id -> how long its last send took
        self._stopping = threading.Event()
        self.freed = threading.Event()  # something was finished
        self.broken: Exception | None = None  # what no thread of ours should ever raise

    @property
    def lease_ms(self) -> int:
        return round(self._pace.lease_s * 1000 * self._rate)

    @property
    def busy(self) -> int:
        with self._lock:
            return len(self._underway)

    def take(self, notices: Iterable[Notice]) -> None:
        """Begin with them; what would only stand in a long queue is put back for a moment."""
        surplus = []
        with self._lock:
            for notice in notices:
                queue = self._queues.get(notice.channel_id)
                if queue is not None and len(queue) >= self._pace.queue:
                    surplus.append(notice)
                    continue
                self._leases[notice.id] = notice.leased_until or Millis(0)
                self._underway.add(notice.id)
                if queue is not None:
                    queue.append(notice)
                    continue
                self._queues[notice.channel_id] = deque([notice])
                name = f"send-{notice.channel_id}"
                threading.Thread(
                    target=self._serve, args=(notice.channel_id,), name=name, daemon=True
                ).start()
        if surplus:
            with self._registry.begin() as tx:
                for notice in surplus:
                    tx.notices.change(
                        notice.id, state="waiting", leased_until=None, next_try_at=self._turn(notice)
                    )

    def renew(self) -> None:
        """Keep the leases that have run down by a third."""
        with self._lock:
            now = self._clock.now()
            low = [id_ for id_, until in self._leases.items() if until - now < self.lease_ms * 2 // 3]
            if not low:
                return
            until = Millis(now + self.lease_ms)
            with self._registry.begin() as tx:
                for id_ in low:
                    tx.notices.change(id_, leased_until=until)
            self._leases.update(dict.fromkeys(low, until))

    def drain(self, within_s: float) -> None:
        """Finish what has begun, give the rest back. What hangs longer is left to its lease."""
        self._stopping.set()
        end = time.monotonic() + within_s
        while self.busy and time.monotonic() < end:
            self.freed.wait(0.05)
            self.freed.clear()

    def _serve(self, channel_id: str) -> None:
        try:
            while (notice := self._next(channel_id)) is not None:
                self._handle(notice)
        except Exception as error:  # noqa: BLE001 - carried to the loop's own thread, which raises it there
            self.broken = error
            with self._lock:
                self._underway.difference_update(left.id for left in self._queues.pop(channel_id, ()))
        self.freed.set()

    def _next(self, channel_id: str) -> Notice | None:
        with self._lock:
            queue = self._queues[channel_id]
            if not queue:
                del self._queues[channel_id]
                return None
            return queue.popleft()

    def _handle(self, notice: Notice) -> None:
        try:
            if self._stopping.is_set():
                self._finish(notice, lambda: self._give_back(notice))
            elif self._ours(notice):
                began = time.monotonic()
                outcome = self._delivery.attempt(notice)
                self._finish(notice, outcome)
                self._took_s[notice.channel_id] = time.monotonic() - began
        except StorageError as error:
            log.warning("notice=%s event=not_marked error=%s", notice.id, error)
        finally:
            with self._lock:
                self._leases.pop(notice.id, None)
                self._underway.discard(notice.id)
            self.freed.set()

    def _ours(self, notice: Notice) -> bool:
        """After a long standstill of this process the lease may be gone: then it is someone else's."""
        with self._lock:
            return self._leases.get(notice.id, Millis(0)) > self._clock.now()

    def _finish(self, notice: Notice, outcome: Outcome) -> None:
        """Write it down. From here on the lease is not renewed, so that no renewal can cross the mark."""
        with self._lock:
            self._leases.pop(notice.id, None)
        for pause in MARK_PAUSES_S:
            try:
                self._commit.carry_out(outcome)
            except StoreBusy:
                time.sleep(pause)
            else:
                return
        self._commit.carry_out(outcome)

    def _give_back(self, notice: Notice) -> None:
        self._registry.notices.change(notice.id, state="waiting", leased_until=None)

    def _turn(self, notice: Notice) -> Millis:
        """When the queue before it will about have been served."""
        wait = min(LONGEST_BACK_S, self._pace.queue * self._took_s.get(notice.channel_id, 0.02))
        return Millis(self._clock.now() + round(wait * 1000 * self._rate))
