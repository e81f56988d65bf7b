"""The heat curve in a message, drawn from real readings, and a message without it when it fails."""

from __future__ import annotations

import email
import email.policy
from collections.abc import Iterator
from pathlib import Path

import pytest

from alerts import pictures
from alerts.channels.mail import MailSender
from alerts.pictures import Pictures
from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.people import Person
from shared.piles import Placement
from shared.ports import Registry
from shared.readings import Reading, SensorKey
from shared.settings import Settings
from shared.stores import open_readings
from shared.times import HOUR, MINUTE, Millis, Span, SystemClock
from tests.alerts.channels.servers import smtp_sink
from tests.alerts.outbox.yard import notice, running, senders, until

CLOCK = SystemClock()
ADA = Person("ada", "Ada", "Europe/Dublin")


@pytest.fixture
def book(registry: Registry, tmp_path: Path) -> Iterator[HeatBook]:
    readings = open_readings(tmp_path / "readings.db")
    pile = registry.piles.get("pile-7")
    registry.probes.heard("larkfield", "P-07", CLOCK.now(), {})
    registry.probes.place(Placement("pl-1", "larkfield", "P-07", pile.id, Span(pile.built_at), "middle"))
    sensor = SensorKey("larkfield", "P-07", "45")
    now = CLOCK.now()
    readings.append(
        [
            Reading(sensor, Millis(now - 30 * HOUR + step * 10 * MINUTE), 40.0 + step * 0.15, now)
            for step in range(180)
        ]
    )
    yield HeatBook(readings, registry, Catalogue.load(), 180 * MINUTE)
    readings.close()


def test_the_curve_arrives_as_a_picture_in_the_letter(registry: Registry, book: HeatBook) -> None:
    registry.notices.put(notice(pile_id="pile-7"))
    with smtp_sink() as sink:
        settings = Settings.model_validate({"email": {"host": "localhost", "port": sink.port, "tls": "none"}})
        with running(registry, senders(email=MailSender(settings)), settings=settings, book=book):
            until(lambda: sink.letters, 60.0)
    message = email.message_from_bytes(sink.letters[0].content, policy=email.policy.default)
    drawn = [
        part.get_payload(decode=True) for part in message.walk() if part.get_content_type() == "image/png"
    ]
    assert len(drawn) == 1
    assert isinstance(drawn[0], bytes)
    assert drawn[0].startswith(b"\x89PNG")
    assert len(drawn[0]) > 10_000


def test_the_same_picture_is_drawn_once(
    registry: Registry, book: HeatBook, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[int] = []

    def render(_spec: object) -> bytes:
        drawn.append(1)
        return b"png"

    monkeypatch.setattr(pictures, "render_png", render)
    monkeypatch.setattr(pictures, "MINUTE", 10 * HOUR)
    easel = Pictures(registry, book, CLOCK)
    assert [easel.draw(notice(str(n), pile_id="pile-7"), ADA) for n in range(5)] == [b"png"] * 5
    assert drawn == [1]


def test_what_is_about_no_pile_has_no_picture(registry: Registry, book: HeatBook) -> None:
    assert Pictures(registry, book, CLOCK).draw(notice(), ADA) is None


def test_a_failure_is_logged_once_and_gives_none(
    registry: Registry, book: HeatBook, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(_spec: object) -> bytes:
        raise RuntimeError("the renderer is gone")

    monkeypatch.setattr(pictures, "render_png", fail)
    easel = Pictures(registry, book, CLOCK)
    assert [easel.draw(notice(pile_id="pile-7"), ADA) for _ in range(3)] == [None] * 3
    assert caplog.text.count("event=failed") == 1
