"""Takes spooled readings to the far store and lets go of each only when it is provably kept there.

A 204 of the far store promises little: it may hold the last seconds in memory only, and says 204 also to what it drops.
So a reading stays in the spool until it was sent longer ago than ``horizon_ms`` (by then the far store has put it on
its disk) and has just been read back, to the last bit. What is not found then is sent again: a line sent twice is one
reading. What is never found stays in the spool, where it is read from, and the figures say so.
"""

from __future__ import annotations

import logging
import secrets
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from shared.ports import StorageError
from shared.readings import SensorKey
from shared.stores.line import spool
from shared.stores.line import tables as t
from shared.stores.line.asking import questions
from shared.stores.line.leases import take_lease
from shared.stores.line.protocol import PileOf, Spooled, lines, no_pile
from shared.stores.line.remote import LinesRefused
from shared.stores.line.store import LineReadings
from shared.times import HOUR, MINUTE, SECOND

log = logging.getLogger(__name__)

LEASE_MS: Final = 15 * SECOND


@dataclass(frozen=True, slots=True)
class ForwardPace:
    """``horizon_ms``: measured, VictoriaMetrics 1.79 loses up to the last 12 s when it is killed; ten times that."""

    horizon_ms: int = 2 * MINUTE
    at_once: int = 5_000
    tries: int = 3
    again_ms: int = HOUR  # for what was never found
    poll_s: float = 0.5
    longest_pause_s: float = 15.0


@dataclass(slots=True)
class ForwardCounts:
    sent: int = 0
    confirmed: int = 0
    resent: int = 0
    kept_here: int = 0
    repeats: int = 0  # found to be in the far store already
    failures: int = 0


class ForwardLoop:
    """One forwarder works at a time, by a lease; two at once would only send twice."""

    name = "forward"

    def __init__(
        self,
        store: LineReadings,
        pile_of: PileOf = no_pile,
        pace: ForwardPace | None = None,
        now_ms: Callable[[], int] = lambda: time.time_ns() // 1_000_000,
    ) -> None:
        self._store, self._work, self._remote = store, store.work, store.remote
        self._pile_of, self.pace, self._now_ms = pile_of, pace or ForwardPace(), now_ms
        self._owner = secrets.token_hex(8)
        self.counts = ForwardCounts()
        self.trouble = ""

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        pause_s = self.pace.poll_s
        while not stop.is_set():
            try:
                moved = self.step() if self._may_work() else 0
            except StorageError as error:
                self.counts.failures += 1
                if not self.trouble:
                    log.warning("readings_store=lost event=spooling error=%s", error)
                self.trouble = str(error)
                pause_s = min(2 * pause_s, self.pace.longest_pause_s)
                moved = 0
            else:
                if self.trouble:
                    log.info("readings_store=back event=forwarding")
                self.trouble = ""
                pause_s = self.pace.poll_s
            beat()
            if not moved:
                self._wait(stop, beat, pause_s)

    @staticmethod
    def _wait(stop: threading.Event, beat: Callable[[], None], pause_s: float) -> None:
        until = time.monotonic() + pause_s
        while not stop.is_set() and (left := until - time.monotonic()) > 0:
            stop.wait(min(left, 4.0))
            beat()

    def _may_work(self) -> bool:
        with self._work.transaction("taking the forwarder's lease", alone=True) as connection:
            return take_lease(connection, self.name, self._owner, self._now_ms(), LEASE_MS)

    def step(self) -> int:
        """One batch of each kind; gives how many readings moved on. StorageError when a store is away."""
        return self._judge() + self._send() + self._confirm() + self._retry()

    # -- what could not be held against the far store when it came in

    def _judge(self) -> int:
        rows = self._in_state(t.UNSURE, self._now_ms())
        if not rows:
            return 0
        found = self._far(rows)
        known = [row for row in rows if row.at in found[row.sensor]]
        new = [row for row in rows if row.at not in found[row.sensor]]
        with self._work.transaction("judging late readings", alone=True) as connection:
            spool.move(connection, new, t.UNSURE, t.WAITING, 0, 0)
            out = spool.take_out(connection, {(row.series, row.at) for row in known})
            gone: dict[int, int] = defaultdict(int)
            for series, _ in out:
                gone[series] += 1
            if gone:
                spool.uncount(connection, gone)
        self.counts.repeats += len(known)
        return len(rows)

    # -- sending

    def _send(self) -> int:
        rows = self._in_state(t.WAITING, self._now_ms())
        if not rows:
            return 0
        self._send_some(rows)
        return len(rows)

    def _send_some(self, rows: Sequence[Spooled]) -> None:
        try:
            self._remote.write(lines(rows, self._pile_of, self._remote.measurement))
        except LinesRefused as error:
            if len(rows) == 1:
                log.warning(
                    "readings_store=refuses event=kept_in_the_spool sensor=%s error=%s", rows[0].sensor, error
                )
                self._move(rows, t.WAITING, t.REFUSED, 1)
                self.counts.kept_here += 1
                return
            half = len(rows) // 2
            self._send_some(rows[:half])
            self._send_some(rows[half:])
        else:
            self._move(rows, t.WAITING, t.SENT, 1)
            self.counts.sent += len(rows)
            self.counts.resent += sum(row.tries > 0 for row in rows)

    # -- confirming

    def _confirm(self) -> int:
        rows = self._in_state(t.SENT, self._now_ms() - self.pace.horizon_ms)
        if not rows:
            return 0
        found = self._far(rows)
        kept = [row for row in rows if found[row.sensor].get(row.at) == row.value]
        other = [
            row for row in rows if row.at in found[row.sensor] and row.value != found[row.sensor][row.at]
        ]
        missing = [row for row in rows if row.at not in found[row.sensor]]
        again = [row for row in missing if row.tries < self.pace.tries]
        never = [row for row in missing if row.tries >= self.pace.tries]
        with self._work.transaction("letting go of what is kept", alone=True) as connection:
            spool.release(connection, kept)
            spool.move(connection, again, t.SENT, t.WAITING, 0, 0)
            spool.move(connection, never, t.SENT, t.REFUSED, self._now_ms(), 0)
            spool.move(connection, other, t.SENT, t.KEPT, self._now_ms(), 0)
        self.counts.confirmed += len(kept)
        self.counts.kept_here += len(never) + len(other)
        if never:
            log.warning(
                "readings_store=drops event=kept_in_the_spool readings=%d hint=%r",
                len(never),
                "it answers yes and keeps nothing: does its retention reach back that far?",
            )
        return len(rows)

    def _retry(self) -> int:
        rows = self._in_state(t.REFUSED, self._now_ms() - self.pace.again_ms)
        self._move(rows, t.REFUSED, t.WAITING, 0)
        return len(rows)

    # -- both sides

    def _far(self, rows: Sequence[Spooled]) -> dict[SensorKey, dict[int, float]]:
        """What the far store has around these rows."""
        wanted: dict[SensorKey, list[int]] = defaultdict(list)
        for row in rows:
            wanted[row.sensor].append(row.at)
        found: dict[SensorKey, dict[int, float]] = defaultdict(dict)
        for asked in questions(wanted, self._remote.sensors_at_once):
            for sensor, curve in self._remote.curves(*asked).items():
                found[sensor] = dict(zip(curve.at.tolist(), curve.value.tolist(), strict=True))
        return found

    def _in_state(self, state: int, before: int) -> list[Spooled]:
        with self._work.read("looking into the spool") as connection:
            return spool.in_state(connection, state, before, self.pace.at_once)

    def _move(self, rows: Sequence[Spooled], old: int, new: int, tries: int) -> None:
        if rows:
            with self._work.transaction("noting what was sent", alone=True) as connection:
                spool.move(connection, rows, old, new, self._now_ms() if new != t.WAITING else 0, tries)

    def backlog(self) -> Mapping[str, int]:
        return self._store.backlog()
