from __future__ import annotations

import threading

import pytest

from alerts.heartbeat import QUIET_AFTER_S, Heartbeat
from shared.ports import Registry
from shared.settings import Settings
from shared.times import SystemClock
from tests.alerts.channels.servers import Answer, http_sink
from tests.alerts.outbox.yard import running, senders, until
from tests.ports import free_port

CLOCK = SystemClock()


def beat(registry: Registry, name: str, seconds_ago: float = 0.0) -> None:
    registry.memory.set(f"beat.{name}", str(CLOCK.now() - round(seconds_ago * 1000)))


def asked(heartbeat: Heartbeat) -> bool:
    """Once it has been answered: a question still on its way when its server goes would be one more that failed."""
    heartbeat.perhaps()
    for thread in threading.enumerate():
        if thread.name == "heartbeat":
            thread.join()
    return True


def test_the_address_is_fetched_while_all_loops_beat(registry: Registry) -> None:
    for name in ("ingest", "watch", "send"):
        beat(registry, name)
    with http_sink() as sink:
        settings = Settings.model_validate({"notices": {"heartbeat_url": f"{sink.url}/alive?key=k"}})
        with running(registry, senders(), settings=settings):
            until(lambda: sink.got)
        assert (sink.got[0].method, sink.got[0].path) == ("GET", "/alive?key=k")
        assert len(sink.got) == 1  # and not again before a minute has passed


def test_it_comes_again_after_its_pause(registry: Registry) -> None:
    with http_sink() as sink:
        heartbeat = Heartbeat(registry, CLOCK, sink.url, every_s=0.05)
        until(lambda: asked(heartbeat) and len(sink.got) >= 3)


def test_one_loop_that_has_stopped_stops_the_heartbeat(registry: Registry) -> None:
    beat(registry, "send")
    beat(registry, "ingest", QUIET_AFTER_S + 5)
    with http_sink() as sink:
        heartbeat = Heartbeat(registry, CLOCK, sink.url, every_s=0.0)
        for _ in range(5):
            heartbeat.perhaps()
        assert sink.got == []
        beat(registry, "ingest")
        until(lambda: asked(heartbeat) and sink.got)


def test_an_address_that_fails_is_logged_once_without_its_key_and_when_it_is_back(
    registry: Registry, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    port = free_port()
    url = f"http://localhost:{port}/k3y"
    heartbeat = Heartbeat(registry, CLOCK, url, every_s=0.02)
    until(lambda: asked(heartbeat) and "event=lost" in caplog.text)
    with http_sink(port=port) as sink:
        sink.answer = lambda _got: Answer(200)
        until(lambda: asked(heartbeat) and "event=back" in caplog.text)
    assert caplog.text.count("event=lost") == 1
    assert "k3y" not in caplog.text


def test_without_an_address_nothing_is_fetched(registry: Registry) -> None:
    Heartbeat(registry, CLOCK, None).perhaps()
