"""Makes a batch durable. Only when ``commit`` has returned may its messages be acknowledged."""

from __future__ import annotations

import logging
import time
from typing import Final

from ingest import undated
from ingest.batch import Batch
from ingest.upkeep import Upkeep
from shared.ports import Appended, ReadingsStore, Refused, Registry, StorageError, StoreBusy
from shared.settings import QuarantineBounds
from shared.times import DAY, Clock, Millis

log = logging.getLogger(__name__)

_PRUNE_EVERY_S: Final = 60.0
KEEP_ANSWERS_MS: Final = 30 * DAY  # as long may a phone without signal hold back what it wants to log
_OVERSHOOT: Final = 10  # the quarantine passes its bounds by a tenth at most, however fast it fills
_UPKEEP_SHARE: Final = 0.03  # of the writer's time
_UPKEEP_EVERY_S: Final = 0.5


class Writer:
    """One thread at a time calls ``commit``; what it raises is a StorageError, and the batch can be given again."""

    def __init__(
        self,
        readings: ReadingsStore,
        registry: Registry,
        upkeep: Upkeep,
        clock: Clock,
        bounds: QuarantineBounds,
        client_id: str = "turnbell-ingest",
    ) -> None:
        self._readings, self._registry = readings, registry
        self._upkeep, self._clock, self._bounds = upkeep, clock, bounds
        self._undated_name = undated.NAME + client_id
        self._put_since = self._octets_since = 0  # into the quarantine, since it was last pruned
        self._next_prune = 0.0
        self._next_upkeep = 0.0
        self._reconciled = False
        self.stored = self.quarantined = 0

    def recall(self) -> str | None:
        """What an earlier process noted of messages without a time; raises StorageError."""
        return self._registry.memory.get(self._undated_name)

    def note(self, name: str, value: str) -> None:
        """A fact for others to read; raises StorageError."""
        self._registry.memory.set(name, value)

    def commit(self, batch: Batch) -> None:
        if (
            batch.undated is not None
        ):  # before the readings: whatever happens next, they get the same time again
            self._registry.memory.set(self._undated_name, batch.undated)
            batch.undated = None
        if not batch.readings_stored and batch.readings:
            self._upkeep.stored(self._append(batch), batch.redelivered)
        batch.readings_stored = True
        if batch.refusals:
            self._registry.quarantine.put_all(batch.refusals)
            self.quarantined += len(batch.refusals)
            self._put_since += len(batch.refusals)
            self._octets_since += sum(len(refusal.payload) for refusal in batch.refusals)
            batch.refusals = []
            self._prune_if_overdue()

    def reconcile(self) -> None:
        """Once per process; never raises: what could not be done is tried again when tidying."""
        try:
            if not self._reconciled:
                self._upkeep.reconcile(self._readings, self._registry)
                self._reconciled = True
        except StorageError as error:
            log.info("registry=busy event=looking_back_later error=%s", error)

    def tidy_is_due(self) -> bool:
        return time.monotonic() >= self._next_upkeep

    def tidy(self, *, idle: bool) -> None:
        """Probe upkeep and pruning, at most a small share of the time unless nothing else is to do. Never raises: what
        could not be written stays for the next time."""
        now = time.monotonic()
        try:
            self.reconcile()
            if len(self._upkeep):
                self._upkeep.flush(self._registry)
            if now >= self._next_prune:
                self._prune()
                self._registry.memory.forget_answers(Millis(self._clock.now() - KEEP_ANSWERS_MS))
                self._next_prune = now + _PRUNE_EVERY_S
        except StorageError as error:
            log.info("registry=busy event=upkeep_waits error=%s", error)
        took = time.monotonic() - now
        pause = _UPKEEP_EVERY_S if idle else max(_UPKEEP_EVERY_S, took / _UPKEEP_SHARE)
        self._next_upkeep = time.monotonic() + pause

    def finish(self, within_s: float) -> int:
        """Write the upkeep that waits, as much as there is time for; give how many probes are left. Raises StorageError."""
        deadline = time.monotonic() + within_s
        while len(self._upkeep) and time.monotonic() < deadline:
            self._upkeep.flush(self._registry)
        return len(self._upkeep)

    def _append(self, batch: Batch) -> Appended:
        try:
            appended = self._readings.append(batch.readings)
        except StoreBusy:
            raise
        except StorageError as error:
            appended = self._one_by_one(batch, error)
        self.stored += appended.stored
        return appended

    def _one_by_one(self, batch: Batch, first: StorageError) -> Appended:
        """The store is well but takes no part of this batch as a whole: find the readings that it cannot take."""
        self._readings.ping()  # raises when it is not well after all
        log.warning("store=readings event=batch_refused error=%s", first)
        stored, repeats, differing = 0, dict[tuple[str, str], int](), dict[tuple[str, str], int]()
        for reading in batch.readings:
            try:
                one = self._readings.append([reading])
            except StoreBusy:
                raise
            except StorageError as error:
                sensor = reading.sensor
                topic = f"turnbell/{sensor.site}/{sensor.probe}/readings"
                words = f"{sensor.quantity} {sensor.depth} {reading.at} {reading.value!r}"
                batch.refusals.append(
                    Refused(reading.received_at, topic, f"the store refused it: {error}", words.encode())
                )
            else:
                stored += one.stored
                for total, more in ((repeats, one.repeats), (differing, one.differing)):
                    for origin, count in more.items():
                        total[origin] = total.get(origin, 0) + count
        return Appended(stored, repeats, differing)

    def _prune(self) -> None:
        oldest = Millis(self._clock.now() - self._bounds.keep_days * DAY)
        self._registry.quarantine.prune(
            older_than=oldest,
            keep_at_most=self._bounds.keep_at_most,
            keep_bytes=self._bounds.keep_megabytes << 20,
        )
        self._put_since = self._octets_since = 0

    def _prune_if_overdue(self) -> None:
        bounds = self._bounds
        if (
            self._put_since * _OVERSHOOT < bounds.keep_at_most
            and self._octets_since * _OVERSHOOT < bounds.keep_megabytes << 20
        ):
            return
        try:
            self._prune()
        except StorageError as error:  # the refusals are stored; the next batch prunes
            log.info("registry=busy event=pruning_waits error=%s", error)
