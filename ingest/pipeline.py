"""Receive unacknowledged, decode, commit, acknowledge: the loop that cannot lose a reading.

This thread talks to the broker and decodes; another commits (``ingest/committing.py``). While a commit runs long (a
locked database, a full disk) this one keeps the session and takes at most as much as the broker sends without
acknowledgement.
"""

from __future__ import annotations

import logging
import secrets
import time
from collections.abc import Callable
from threading import Event
from typing import Final

from ingest import hearing
from ingest.batch import Batch, Intake
from ingest.committing import Committing
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
        self._begin_again()

    @property
    def store_trouble(self) -> str:
        """Why nothing can be stored now; "" while all is well."""
        return self._commits.trouble

    def run(self, stop: Event, beat: Callable[[], None]) -> None:
        self._begin_again()
        with self._commits:
            try:
                self._commits.look_back(stop, self._undated.load)
                while not stop.is_set():
                    if self.connected:  # subscribed: what is published now reaches us
                        beat()
                    if self.connected or self._commits.runs:
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
        self._commits = Committing(self.writer, self.pace, self.counts)
        self._intake.batch = Batch()
        self._intake.to_come_again = 0
        self._said_away = False
        self._pause_s = self.pace.first_pause_s
        self._hearing = Hearing(self.pace)

    # -- one step ------------------------------------------------------------------------------------------------

    def _step(self, stop: Event) -> None:
        commits = self._commits
        if commits.runs:
            self._settle(0.02)
            if commits.runs:
                self._serve(stop, 0.0)
                return
        if len(commits.held):  # it could not be stored: the same batch again, later
            if commits.waits_s > 0:
                self._serve(stop, min(commits.waits_s, 0.2))
            else:
                commits.try_again()
            return
        batch = self._intake.batch
        waits_s = batch.began + self.pace.linger_s - time.monotonic() if len(batch) else 0.25
        if not self._is_full(batch) and waits_s > 0:
            self._serve(stop, waits_s)
            batch = self._intake.batch
            waits_s = batch.began + self.pace.linger_s - time.monotonic()
        if self._is_full(batch) or (len(batch) and waits_s <= 0):
            self._window.sent(len(batch), by_timer=waits_s <= 0)
            commits.begin(self._intake.hand_over())
        elif not len(batch):
            commits.tidy(idle=True)
            self._listen_for_silence()

    def _is_full(self, batch: Batch) -> bool:
        pace = self.pace
        return (
            self._window.is_full(len(batch))
            or len(batch.readings) >= pace.batch_readings
            or batch.octets >= pace.batch_octets
        )

    def _stored(self, batch: Batch) -> None:
        if self.connected:
            self._subscriber.acknowledge(batch.messages)
        self._commits.tidy(idle=False)

    # -- the broker ----------------------------------------------------------------------------------------------

    def _serve(self, stop: Event, timeout_s: float) -> None:
        """Read what there is room for and keep the session; notice when it is lost."""
        if not self.connected:
            stop.wait(min(timeout_s, 0.05))
            return
        batch, held = self._intake.batch, self._commits.held
        messages, octets = len(batch) + len(held), batch.octets + held.octets
        if messages < self.pace.hold and octets < self.pace.hold_octets:
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
            1
            for batch in (self._commits.held, self._intake.batch)
            for message in batch.messages
            if message.qos
        )
        if not self._said_away:
            log.warning("broker=lost why=%s", why)
            self._said_away = True

    def _reconnect(self, stop: Event) -> None:
        """One try, then a pause with jitter. What was received before is committed whatever the broker does."""
        commits = self._commits
        if len(commits.held):
            if commits.waits_s <= 0:
                commits.try_again()
                return
        elif len(self._intake.batch):
            commits.begin(self._intake.hand_over())
            return
        try:
            kept = self._subscriber.connect()
        except BrokerAway as away:
            if not self._said_away:
                log.warning(
                    "broker=away host=%s port=%s why=%s", self._address.host, self._address.port, away
                )
                self._said_away = True
            commits.tidy(idle=True)
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
            self._commits.note(hearing.NAME, news)
        if deaf_s is not None:
            self.counts.deaf += 1
            self._lost(f"connected, but deaf for {deaf_s:.0f} s")

    # -- the end -------------------------------------------------------------------------------------------------

    def _drain(self, beat: Callable[[], None], within_s: float = 4.0) -> None:
        """Finish what has begun; what cannot be stored in time stays with the broker."""
        commits, deadline = self._commits, time.monotonic() + within_s
        self._settle(within_s)
        if not len(commits.held) and len(self._intake.batch):
            commits.begin(self._intake.hand_over())
            self._settle(max(0.1, deadline - time.monotonic()))
        try:
            left = commits.finish(max(0.1, deadline - time.monotonic()))
        except (StorageError, TimeoutError) as error:
            log.warning("registry=lost event=stopped_before_all_upkeep_was_written error=%s", error)
        else:
            if left:  # their readings are stored; the next message of each brings it up to date
                log.info("registry=slow event=stopped_before_all_upkeep_was_written probes=%d", left)
        if len(commits.held):
            log.warning(
                "store=lost event=stopped_before_all_was_stored error=%s", commits.trouble or "too slow"
            )
        beat()

    def _settle(self, within_s: float) -> None:
        stored = self._commits.settled(within_s)
        if stored is not None:
            self._stored(stored)
