"""One batch at a time on its way to the disk, in a thread of its own; what could not be stored is tried again."""

from __future__ import annotations

import logging
import secrets
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from threading import Event
from types import TracebackType
from typing import Final, Self

from ingest.batch import Batch
from ingest.pace import Counts, Pace
from ingest.writer import Writer
from shared.ports import StorageError

log = logging.getLogger(__name__)

_DICE: Final = secrets.SystemRandom()


class Committing:
    """Entered, it has its thread; left, the thread has ended."""

    def __init__(self, writer: Writer, pace: Pace, counts: Counts) -> None:
        self._writer, self._pace, self._counts = writer, pace, counts
        self.held = Batch()  # begun, and not known to be on the disk
        self.trouble = ""  # why the last try failed
        self._job: Future[None] | None = None
        self._chore: Future[None] | None = None
        self._pause_s = pace.store_pause_s
        self._retry_at = 0.0

    def __enter__(self) -> Self:
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="ingest-writer")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.shutdown()

    def look_back(self, stop: Event, load: Callable[[str | None], None]) -> None:
        """What a crash may have left undone, and what must be known before the first message is taken: ``load`` is
        given what an earlier process noted of messages without a time."""
        while not stop.is_set():
            looking = self._pool.submit(self._recall, load)
            while not looking.done() and not stop.is_set():
                wait([looking], timeout=1.0)
            if looking.done() and looking.result():
                return
            stop.wait(self._pace.store_pause_s)

    def _recall(self, load: Callable[[str | None], None]) -> bool:
        """Whether the registry could be read; if it is too busy for the rest, tidying does that later."""
        try:
            load(self._writer.recall())
        except StorageError as error:
            if not self.trouble:
                log.warning("store=lost event=cannot_begin error=%s", error)
            self.trouble = str(error)
            return False
        self._writer.reconcile()
        return True

    @property
    def runs(self) -> bool:
        return self._job is not None

    @property
    def waits_s(self) -> float:
        """Until what is held may be tried again."""
        return self._retry_at - time.monotonic()

    def begin(self, batch: Batch) -> None:
        """Only when nothing is held."""
        self.held = batch
        self.try_again()

    def try_again(self) -> None:
        self._job = self._pool.submit(self._writer.commit, self.held)

    def settled(self, within_s: float) -> Batch | None:
        """The batch, once it is on the disk. None while it runs, and when it failed: then it runs no more and is still
        held."""
        if self._job is None:
            return None
        try:
            self._job.result(timeout=within_s)
        except TimeoutError:
            return None
        except StorageError as error:
            self._failed(error)
            return None
        batch, self.held, self._job = self.held, Batch(), None
        self._counts.messages += len(batch) - batch.own
        self._counts.batches += 1
        if self.trouble:
            log.info("store=back event=reading_on")
            self.trouble = ""
        self._pause_s = self._pace.store_pause_s
        return batch

    def _failed(self, error: StorageError) -> None:
        self._job = None
        if not self.trouble:
            log.warning("store=lost event=holding_back error=%s", error)
            self._counts.store_troubles += 1
        self.trouble = str(error)
        self._retry_at = time.monotonic() + self._pause_s * _DICE.uniform(0.8, 1.2)
        self._pause_s = min(2 * self._pause_s, self._pace.longest_store_pause_s)

    def tidy(self, *, idle: bool) -> None:
        if self._writer.tidy_is_due() and (self._chore is None or self._chore.done()):
            self._chore = self._pool.submit(self._writer.tidy, idle=idle)

    def note(self, name: str, value: str) -> None:
        """A fact for others to read, written when there is time; whether it was is not told."""
        self._pool.submit(self._writer.note, name, value)

    def finish(self, within_s: float) -> int:
        """Of how many probes the upkeep could not be written in time; raises StorageError or TimeoutError."""
        return self._pool.submit(self._writer.finish, within_s / 2).result(timeout=within_s)
