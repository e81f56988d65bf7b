"""The loop against real brokers and real stores."""

from __future__ import annotations

import json
import logging
import os
import signal
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from threading import Event, Thread
from typing import Any

import pytest

from ingest.broker import EmbeddedBroker, Kind
from ingest.pace import Pace
from ingest.pipeline import IngestLoop
from shared.readings import ArrivalMark, SensorKey
from shared.settings import Settings
from shared.stores import open_readings
from shared.times import Millis, Span, SystemClock
from tests.ingest.brokers import Publisher, running, wait_for
from tests.ingest.conftest import Stores
from tests.ports import free_port

CLOCK = SystemClock()
TOPIC = "turnbell/larkfield/K-01/readings"
QUICK = Pace(first_pause_s=0.05, longest_pause_s=0.3, store_pause_s=0.05, longest_store_pause_s=0.2)


@pytest.fixture(params=[pytest.param("mosquitto", marks=pytest.mark.mosquitto), "pypi"])
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[EmbeddedBroker]:
    kind: Kind = request.param
    if kind == "mosquitto":
        request.getfixturevalue("mosquitto")
    broker = EmbeddedBroker(tmp_path, "127.0.0.1", 0, kind=kind)
    broker.start()
    yield broker
    broker.stop()


def loop_on(broker: EmbeddedBroker, stores: Stores, pace: Pace = QUICK, **mqtt: Any) -> IngestLoop:
    settings = Settings.model_validate({"mqtt": mqtt})
    return IngestLoop(stores.readings, stores.registry, settings, CLOCK, broker.host, broker.port, pace=pace)


def pack(value: float, at_s: float, depth: str = "45") -> str:
    return json.dumps([{"n": f"t/{depth}", "u": "Cel", "t": at_s, "v": value}])


def curve(stores: Stores, depth: str = "45", probe: str = "K-01") -> list[tuple[int, float, int]]:
    found = stores.readings.read(SensorKey("larkfield", probe, depth), Span(Millis(0)))
    return list(zip(found.at.tolist(), found.value.tolist(), found.mark.tolist(), strict=True))


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_reading_walks_from_the_probe_to_the_store(
    broker: EmbeddedBroker, stores: Stores, version: str
) -> None:
    now_s = CLOCK.now() // 1000
    with running(loop_on(broker, stores, version=version)), Publisher(broker.port) as probe:
        probe.send(TOPIC, pack(61.9, now_s))
        probe.send(
            TOPIC, b"\x81\xa4\x00\x64t/15\x01\x63Cel\x02\x18\x32\x06\x39\x00\x3b"
        )  # CBOR: 50 at now - 60 s
        probe.send(TOPIC, '{"celsius":{"30":55.5},"battery_percent":87,"rssi_dbm":-92}')
        probe.send(TOPIC, "junk")
        probe.send("turnbell/larkfield/K-01/status", "online")
        wait_for(lambda: stores.readings.count() == 5, 10)
        wait_for(lambda: (one := stores.registry.probes.named("larkfield", "K-01")) and one.online, 10)
        wait_for(stores.registry.quarantine.all, 10)
    assert curve(stores) == [(now_s * 1000, 61.9, 0)]
    known = stores.registry.probes.named("larkfield", "K-01")
    assert known is not None
    assert (known.battery_percent, known.rssi_dbm, known.online) == (87, -92, True)
    assert known.last_heard_at is not None
    assert abs(known.last_heard_at - CLOCK.now()) < 60_000
    (kept,) = stores.registry.quarantine.all()
    assert (kept.topic, kept.payload, kept.size) == (TOPIC, b"junk", 4)
    assert "0x6a" in kept.reason


def test_a_repeat_is_one_reading_and_a_differing_one_leaves_the_first(
    broker: EmbeddedBroker, stores: Stores
) -> None:
    now_s = CLOCK.now() // 1000
    with running(loop_on(broker, stores)), Publisher(broker.port) as probe:
        for value in (61.9, 61.9, 70.0):
            probe.send(TOPIC, pack(value, now_s))

        def counted() -> bool:
            known = stores.registry.probes.named("larkfield", "K-01")
            return known is not None and (known.repeats, known.differing_repeats) == (1, 1)

        wait_for(counted, 10)
    assert curve(stores) == [(now_s * 1000, 61.9, 0)]


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_what_was_published_while_nobody_listened_is_read_afterwards(
    broker: EmbeddedBroker, stores: Stores, version: str
) -> None:
    now_s = CLOCK.now() // 1000
    with running(loop_on(broker, stores, version=version)):
        pass
    with Publisher(broker.port) as probe:
        for number in range(50):
            probe.send(TOPIC, pack(50 + number / 10, now_s - number))
    with running(loop_on(broker, stores, version=version)):
        wait_for(lambda: stores.readings.count() == 50, 10)


def test_a_retained_reading_is_kept_as_stale(broker: EmbeddedBroker, stores: Stores) -> None:
    now_s = CLOCK.now() // 1000
    with Publisher(broker.port) as probe:
        probe.send(TOPIC, pack(61.9, now_s - 86_400), retain=True)
    with running(loop_on(broker, stores)):
        wait_for(lambda: stores.readings.count() == 1, 10)
        wait_for(lambda: stores.registry.probes.named("larkfield", "K-01"), 10)
    assert curve(stores)[0][2] == ArrivalMark.STALE
    known = stores.registry.probes.named("larkfield", "K-01")
    assert known is not None
    assert known.last_heard_at == (now_s - 86_400) * 1000, "old news is no sign of life"


def test_a_good_record_beside_a_bad_one_is_kept_and_the_message_is_quarantined(
    broker: EmbeddedBroker, stores: Stores
) -> None:
    now_s = CLOCK.now() // 1000
    records = [{"n": "t/15", "u": "Cel", "t": now_s, "v": 50}, {"n": "t/45", "u": "K", "t": now_s, "v": 333}]
    with running(loop_on(broker, stores)), Publisher(broker.port) as probe:
        probe.send(TOPIC, json.dumps(records))
        wait_for(stores.registry.quarantine.all, 10)
    assert stores.readings.count() == 1
    assert stores.registry.quarantine.all()[0].reason == "1 not used, 1 kept: t/45: its unit is K, not Cel"


def test_a_batch_larger_than_the_brokers_window_does_not_stall(
    broker: EmbeddedBroker, stores: Stores
) -> None:
    """The window of the broker is far below the batch: the size adapts, and the timer acknowledges meanwhile."""
    pace = Pace(batch=100_000, receive_maximum=10, linger_s=0.1)
    now_s = CLOCK.now() // 1000
    with running(loop_on(broker, stores, pace)), Publisher(broker.port) as probe:
        probe.wait([probe.begin(TOPIC, pack(50, now_s - number)) for number in range(600)])
        wait_for(lambda: stores.readings.count() == 600, 30)


def test_the_broker_killed_and_started_again_is_found_again(
    broker: EmbeddedBroker, stores: Stores, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    now_s = CLOCK.now() // 1000
    loop = loop_on(broker, stores)
    with running(loop):
        with Publisher(broker.port) as probe:
            probe.send(TOPIC, pack(61.9, now_s))
        wait_for(lambda: stores.readings.count() == 1, 10)
        _kill(broker)
        wait_for(lambda: broker.restarts == 1 and loop.counts.connects == 2, 20)
        with Publisher(broker.port) as probe:
            probe.send(TOPIC, pack(62.0, now_s + 1))
        wait_for(lambda: stores.readings.count() == 2, 10)
    mine = [record.message for record in caplog.records if record.name == "ingest.pipeline"]
    assert len([line for line in mine if line.startswith("broker=lost")]) == 1
    assert len([line for line in mine if line.startswith("broker=back")]) == 1


def _kill(broker: EmbeddedBroker) -> None:
    process = broker._process
    assert process is not None
    if broker.kind == "mosquitto":
        os.kill(int(broker.pid_file.read_text()), signal.SIGKILL)
    else:
        process.kill()


def test_a_locked_store_holds_the_messages_back_and_is_recovered_from_without_a_restart(
    broker: EmbeddedBroker, stores: Stores, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    now_s = CLOCK.now() // 1000
    quick_readings = open_readings(stores.folder / "readings.db", busy_timeout_s=0.1)
    loop = IngestLoop(
        quick_readings, stores.registry, Settings(), CLOCK, broker.host, broker.port, pace=QUICK
    )
    other = sqlite3.connect(stores.folder / "readings.db", isolation_level=None)
    with running(loop), Publisher(broker.port) as probe:
        other.execute("BEGIN IMMEDIATE")
        probe.wait([probe.begin(TOPIC, pack(50, now_s - number)) for number in range(300)])
        wait_for(lambda: loop.store_trouble, 10)
        assert loop.counts.messages == 0, "nothing is acknowledged that is not stored"
        assert loop.connected
        other.execute("ROLLBACK")
        wait_for(lambda: stores.readings.count() == 300, 20)
        wait_for(lambda: not loop.store_trouble, 10)
        assert loop.counts.connects == 1, "the session was kept"
    other.close()
    quick_readings.close()
    mine = [record.message for record in caplog.records if record.name == "ingest.committing"]
    assert len([line for line in mine if line.startswith("store=lost")]) == 1
    assert len([line for line in mine if line.startswith("store=back")]) == 1


def test_a_port_where_no_broker_is_is_tried_again_until_one_is(
    broker: EmbeddedBroker, stores: Stores, caplog: pytest.LogCaptureFixture
) -> None:
    broker.stop()
    again = EmbeddedBroker(stores.folder, "127.0.0.1", broker.port, kind=broker.kind)
    loop = loop_on(broker, stores)
    stop = Event()
    beats: list[int] = []
    thread = Thread(target=loop.run, args=(stop, lambda: beats.append(1)))
    thread.start()
    try:
        wait_for(lambda: "broker=away" in caplog.text, 10)
        assert not loop.connected
        assert not beats  # nobody is to publish in the belief that somebody listens
        again.start()
        wait_for(lambda: loop.connected, 10)
        wait_for(lambda: len(beats) > 3, 10)
    finally:
        stop.set()
        thread.join(10)
        again.stop()
    assert not thread.is_alive()


class Pauses(Event):
    """Waits for nothing, notes how long it would have been, and ends the loop after so many."""

    def __init__(self, many: int) -> None:
        super().__init__()
        self.many, self.lengths_s = many, list[float]()

    def wait(self, timeout: float | None = None) -> bool:
        self.lengths_s.append(timeout or 0.0)
        if len(self.lengths_s) >= self.many:
            self.set()
        return self.is_set()


def test_the_pauses_between_tries_grow_to_a_limit_and_are_never_in_step(stores: Stores) -> None:
    pace, tries = Pace(first_pause_s=1.0, longest_pause_s=8.0), Pauses(30)
    loop = IngestLoop(
        stores.readings, stores.registry, Settings(), CLOCK, "127.0.0.1", free_port(), pace=pace
    )
    loop.run(tries, lambda: None)
    wanted_s = [1.0, 2.0, 4.0, *[8.0] * 27]
    for pause_s, longest_s in zip(tries.lengths_s, wanted_s, strict=True):
        assert longest_s / 2 <= pause_s <= longest_s
    assert len(set(tries.lengths_s)) == 30
