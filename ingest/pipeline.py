"""Receive unacknowledged, decode, commit, acknowledge: the loop that cannot lose a reading.

One thread talks to the broker and decodes; one other commits. While a commit runs long (a locked database, a full
disk) the first keeps the session and takes at most as much as the broker sends without acknowledgement.
"""

from __future__ import annotations

import logging
import secrets
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from concurrent.futures import TimeoutError as NotYet
from threading import Event
from typing import Final

from ingest import hearing
from ingest.batch import Batch, Intake
from ingest.decoders import Decoders
from ingest.hearing import Hearing
from ingest.pace import Counts, Pace
from ingest.session import Address, BrokerAway, Session, host_suffix
from ingest.subscriber import Subscriber
from ingest.topics import READINGS_FILTER, STATUS_FILTER
from ingest.undated import Undated
from ingest.upkeep import Upkeep
from ingest.window import AckWindow
from ingest.writer import Writer
from shared.ports import ReadingsStore, Registry, StorageError
from shared.settings import Settings
from shared.times import Clock

log = logging.getLogger(__name__)

_DICE: Final = secrets.SystemRandom()


class IngestLoop:
    name = "ingest"

    def __init__(
        self,
        readings: ReadingsStore,
        registry: Registry,
        settings: Settings,
        clock: Clock,
        host: str,
        port: int,
        *,
        pace: Pace | None = None,
    ) -> None:
        """SettingsError for a [decoders] mapping that cannot be used."""
        self.pace = pace or Pace()
        self.counts = Counts()
        decoders = Decoders(settings.decoders)
        self._upkeep = Upkeep()
        self._undated = Undated(2 * self.pace.receive_maximum)
        self._intake = Intake(decoders, clock, self._upkeep, self._undated)
        mqtt = settings.mqtt
        self._address = Address(
            host,
            port,
            mqtt.username,
            mqtt.password.get_secret_value() if mqtt.password else None,
            mqtt.tls_ca,
        )
        self._session = Session(
            # several ingesters share the work, each with a session of its own
            f"{mqtt.client_id}-{host_suffix()}" if mqtt.shared_group else mqtt.client_id,
            (
                (READINGS_FILTER, False),
                (STATUS_FILTER, True),
                *((topic, False) for topic in decoders.filters),
            ),
            mqtt.version,
            self.pace.receive_maximum,
            mqtt.shared_group,
        )
        self.writer = Writer(
            readings, registry, self._upkeep, clock, settings.quarantine, self._session.client_id
        )
        self.connected = False
        self.store_trouble = ""
        self._begin_again()

    def run(self, stop: Event, beat: Callable[[], None]) -> None:
        self._begin_again()
        with ThreadPoolExecutor(1, thread_name_prefix="ingest-writer") as self._pool:
            try:
                self._look_back(stop)
                while not stop.is_set():
                    if self.connected:  # subscribed: what is published now reaches us
                        beat()
                    if self.connected or self._job is not None:
                        self._step(stop)
                    else:
                        self._reconnect(stop)
                self._drain(beat)
            finally:
                self._subscriber.close()
                self.connected = False

    def _begin_again(self) -> None:
        self._subscriber = Subscriber(self._address, self._session, self._intake.take)
        self._window = AckWindow(self.pace.batch)
        self._job: Future[None] | None = None
        self._chore: Future[None] | None = None
        self._writing = Batch()
        self._intake.batch = Batch()
        self._intake.to_come_again = 0
        self._said_away = False
        self._pause_s = self.pace.first_pause_s
        self._store_pause_s = self.pace.store_pause_s
        self._retry_at = 0.0
        self._hearing = Hearing(self.pace)

    def _look_back(self, stop: Event) -> None:
        """What a crash may have left undone, and what must be known before the first message is taken."""
        while not stop.is_set():
            looking = self._pool.submit(self._recall)
            while not looking.done() and not stop.is_set():
                wait([looking], timeout=1.0)
            if looking.done() and looking.result():
                return
            stop.wait(self.pace.store_pause_s)

    def _recall(self) -> bool:
        """Whether the registry could be read; if it is too busy for the rest, tidying does that later."""
        try:
            self._undated.load(self.writer.recall())
        except StorageError as error:
            if not self.store_trouble:
                log.warning("store=lost event=cannot_begin error=%s", error)
            self.store_trouble = str(error)
            return False
        self.writer.reconcile()
        return True

    # -- one step ------------------------------------------------------------------------------------------------

    def _step(self, stop: Event) -> None:
        if self._job is not None:
            try:
                self._job.result(timeout=0.02)
            except NotYet:
                self._serve(stop, 0.0)
                return
            except StorageError as error:
                self._store_lost(error)
            else:
                self._committed()
        if len(self._writing):  # it could not be stored: the same batch again, later
            wait_s = self._retry_at - time.monotonic()
            if wait_s > 0:
                self._serve(stop, min(wait_s, 0.2))
                return
            self._job = self._pool.submit(self.writer.commit, self._writing)
            return
        batch = self._intake.batch
        waits_s = batch.began + self.pace.linger_s - time.monotonic() if len(batch) else 0.25
        if not self._is_full(batch) and waits_s > 0:
            self._serve(stop, waits_s)
            batch = self._intake.batch
            waits_s = batch.began + self.pace.linger_s - time.monotonic()
        if self._is_full(batch) or (len(batch) and waits_s <= 0):
            self._window.sent(len(batch), by_timer=waits_s <= 0)
            self._writing = self._intake.hand_over()
            self._job = self._pool.submit(self.writer.commit, self._writing)
        elif not len(batch):
            self._tidy(idle=True)
            self._listen_for_silence()

    def _is_full(self, batch: Batch) -> bool:
        pace = self.pace
        return (
            self._window.is_full(len(batch))
            or len(batch.readings) >= pace.batch_readings
            or batch.octets >= pace.batch_octets
        )

    def _committed(self) -> None:
        batch, self._writing, self._job = self._writing, Batch(), None
        if self.connected:
            self._subscriber.acknowledge(batch.messages)
        self.counts.messages += len(batch) - batch.own
        self.counts.batches += 1
        if self.store_trouble:
            log.info("store=back event=reading_on")
            self.store_trouble = ""
        self._store_pause_s = self.pace.store_pause_s
        self._tidy(idle=False)

    def _tidy(self, *, idle: bool) -> None:
        if self.writer.tidy_is_due() and (self._chore is None or self._chore.done()):
            self._chore = self._pool.submit(self.writer.tidy, idle=idle)

    def _store_lost(self, error: StorageError) -> None:
        self._job = None
        if not self.store_trouble:
            log.warning("store=lost event=holding_back error=%s", error)
            self.counts.store_troubles += 1
        self.store_trouble = str(error)
        self._retry_at = time.monotonic() + self._store_pause_s * _DICE.uniform(0.8, 1.2)
        self._store_pause_s = min(2 * self._store_pause_s, self.pace.longest_store_pause_s)

    # -- the broker ----------------------------------------------------------------------------------------------

    def _serve(self, stop: Event, timeout_s: float) -> None:
        """Read what there is room for and keep the session; notice when it is lost."""
        if not self.connected:
            stop.wait(min(timeout_s, 0.05))
            return
        batch = self._intake.batch
        held, octets = len(batch) + len(self._writing), batch.octets + self._writing.octets
        if held < self.pace.hold and octets < self.pace.hold_octets:
            well = self._subscriber.poll(timeout_s)
        else:
            well = self._subscriber.tend()
            stop.wait(max(timeout_s, 0.02))
        if not well:
            self._lost(self._subscriber.why_lost)

    def _lost(self, why: str) -> None:
        self.connected = False
        self._subscriber.drop()
        self._intake.to_come_again = sum(
            1 for batch in (self._writing, self._intake.batch) for message in batch.messages if message.qos
        )
        if not self._said_away:
            log.warning("broker=lost why=%s", why)
            self._said_away = True

    def _reconnect(self, stop: Event) -> None:
        """One try, then a pause with jitter. What was received before is committed whatever the broker does."""
        if len(self._writing) or len(self._intake.batch):
            if not len(self._writing):
                self._writing = self._intake.hand_over()
            if time.monotonic() >= self._retry_at:
                self._job = self._pool.submit(self.writer.commit, self._writing)
                return
        try:
            kept = self._subscriber.connect()
        except BrokerAway as away:
            if not self._said_away:
                log.warning(
                    "broker=away host=%s port=%s why=%s", self._address.host, self._address.port, away
                )
                self._said_away = True
            self._tidy(idle=True)
            stop.wait(self._pause_s * _DICE.uniform(0.5, 1.0))
            self._pause_s = min(2 * self._pause_s, self.pace.longest_pause_s)
            return
        if not kept:
            self._intake.to_come_again = 0
        self.connected = True
        self.counts.connects += 1
        self._pause_s = self.pace.first_pause_s
        self._hearing.connected(self._subscriber)
        if self._said_away:
            log.info("broker=back session_kept=%s", kept)
            self._said_away = False

    def _listen_for_silence(self) -> None:
        """Connected, and yet nothing arrives, not even our own echo: connect anew."""
        deaf_s = self._hearing.deaf_for_s(self._subscriber)
        if self._hearing.news is not None:
            news, self._hearing.news = self._hearing.news, None
            self._pool.submit(self.writer.note, hearing.NAME, news)
        if deaf_s is not None:
            self.counts.deaf += 1
            self._lost(f"connected, but deaf for {deaf_s:.0f} s")

    # -- the end -------------------------------------------------------------------------------------------------

    def _drain(self, beat: Callable[[], None], within_s: float = 4.0) -> None:
        """Finish what has begun; what cannot be stored in time stays with the broker."""
        deadline = time.monotonic() + within_s
        try:
            if self._job is not None:
                self._job.result(timeout=within_s)
                self._committed()
            if not len(self._writing) and len(self._intake.batch):
                self._writing = self._intake.hand_over()
                self._pool.submit(self.writer.commit, self._writing).result(
                    timeout=max(0.1, deadline - time.monotonic())
                )
                self._committed()
            left_s = max(0.1, deadline - time.monotonic())
            left = self._pool.submit(self.writer.finish, left_s / 2).result(timeout=left_s)
            if left:  # their readings are stored; the next message of each brings it up to date
                log.info("registry=slow event=stopped_before_all_upkeep_was_written probes=%d", left)
        except (StorageError, NotYet) as error:
            log.warning("store=lost event=stopped_before_all_was_stored error=%s", error)
        beat()
