"""Deaf, or only held up: the watchdog tells a session that gets no messages from a broker that is slow."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.broker import EmbeddedBroker
from ingest.pace import Pace
from ingest.pipeline import IngestLoop
from shared.settings import Settings
from shared.times import SystemClock
from tests.e2e.wire import Wire
from tests.ingest.brokers import Publisher, running, wait_for
from tests.ingest.conftest import Stores

LIMIT_S = 0.3
QUICK = Pace(first_pause_s=0.05, longest_pause_s=0.3, echo_every_s=0.1, deaf_after_s=LIMIT_S)
TOPIC = "turnbell/larkfield/K-01/readings"

pytestmark = [pytest.mark.mosquitto, pytest.mark.usefixtures("mosquitto")]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[EmbeddedBroker]:
    broker = EmbeddedBroker(tmp_path, "127.0.0.1", 0, kind="mosquitto")
    broker.start()
    yield broker
    broker.stop()


def loop_on(port: int, stores: Stores) -> IngestLoop:
    return IngestLoop(
        stores.readings, stores.registry, Settings(), SystemClock(), "127.0.0.1", port, pace=QUICK
    )


def test_a_broker_that_is_held_up_for_longer_than_the_limit_keeps_the_session(
    broker: EmbeddedBroker, stores: Stores
) -> None:
    loop = loop_on(broker.port, stores)
    with running(loop), Publisher(broker.port) as probe:
        hearing = loop._hearing
        wait_for(lambda: hearing._ever, 10, "the ingester has heard itself")
        mosquitto = int(broker.pid_file.read_text())
        os.kill(mosquitto, signal.SIGSTOP)
        try:
            wait_for(lambda: hearing._asked_at > loop._subscriber.last_heard, 30, "an echo is not answered")
            wait_for(lambda: time.monotonic() > hearing._asked_at + 4 * LIMIT_S, 10, "far beyond the limit")
            assert loop.connected
        finally:
            os.kill(mosquitto, signal.SIGCONT)
        probe.send(TOPIC, '{"celsius":{"45":61.5}}')
        wait_for(lambda: stores.readings.count() == 1, 10, "the reading has come through")
        assert (loop.counts.deaf, loop.counts.connects) == (0, 1)


def test_a_session_that_answers_pings_but_brings_no_messages_is_begun_anew(
    broker: EmbeddedBroker, stores: Stores
) -> None:
    with Wire(broker.port) as wire:
        loop = loop_on(wire.port, stores)
        with running(loop):
            wait_for(lambda: loop._hearing._ever, 10, "the ingester has heard itself")
            wire.deaf = True
            wait_for(lambda: loop.counts.deaf, 10, "it has found out")
            wire.deaf = False
            wait_for(lambda: loop.counts.connects >= 2 and loop.connected, 10, "another connection")
