"""Real servers, real processes, real faults: nothing is lost, and nothing comes twice under two keys."""

from __future__ import annotations

import threading
import time
from pathlib import Path

from alerts.channels.mail import MailSender
from alerts.channels.webhook import WebhookSender
from alerts.outbox_pace import Pace
from shared.people import Channel
from shared.ports import Registry
from shared.settings import Settings
from shared.times import HOUR, Millis, ScaledClock, SystemClock
from tests.alerts.channels.servers import Answer, http_sink, smtp_sink
from tests.alerts.outbox.causes import OPEN, all_sent, cause, hooks, posted, said
from tests.alerts.outbox.ledger import settle
from tests.alerts.outbox.moody import Moody
from tests.alerts.outbox.yard import PATIENT, notice, running, senders, until
from tests.ports import free_port

ROOT = Path(__file__).parents[3]


def test_the_mail_server_is_down_for_an_hour(registry: Registry) -> None:
    """An hour in five seconds: the site's clock and the sender's pauses run 720 times as fast."""
    speed = 720.0
    clock = ScaledClock(SystemClock().now(), speed)
    pace = Pace(
        poll_s=0.01,
        lease_s=30.0,
        first_wait_s=5 / speed,
        longest_wait_s=900 / speed,
        elsewhere_after_s=900 / speed,
    )
    port = free_port()
    mail = Settings.model_validate({"email": {"host": "localhost", "port": port, "tls": "none"}})
    registry.people.change_channel("ada-hook", disabled_at=Millis(1), disabled_why="not in this test")
    ways = [registry.people.channel("ada-mail"), registry.people.channel("ben-mail")]
    caused = cause(registry, ways, 200)
    began = clock.now()
    with running(registry, senders(email=MailSender(mail, deadline_s=2.0)), pace=pace, clock=clock):
        until(lambda: clock.now() - began >= HOUR, 60.0)
        assert not any(n.state == "sent" for n in registry.notices.all(limit=500))
        assert all(registry.people.channel(way.id).disabled_at is None for way in ways)
        with smtp_sink(port=port) as sink:
            until(lambda: all_sent(registry, 200), 120.0)
    line = settle("mail server down for an hour", caused, posted(sink))
    assert (line.lost, line.doubled, line.again_same_key) == (0, 0, 0)


def test_a_webhook_that_fails_in_every_way_gets_everything_in_the_end(registry: Registry) -> None:
    with Moody(seed=26, bad_for=250) as moody:
        caused = cause(registry, hooks(registry, f"http://127.0.0.1:{moody.port}", 25), 150)
        with running(registry, senders(webhook=WebhookSender(OPEN, deadline_s=0.3))):
            until(lambda: all_sent(registry, 150), 120.0)
    assert set(moody.moods) == set(Moody.MOODS)
    line = settle("webhook 500, 429, hang, half reply, cut off", caused, moody.taken)
    assert (line.lost, line.doubled) == (0, 0)


def test_a_thousand_notices_at_once(registry: Registry) -> None:
    with http_sink() as sink:
        caused = cause(registry, hooks(registry, sink.url, 40), 1000)
        with running(registry, senders(webhook=WebhookSender(OPEN))):
            until(lambda: all_sent(registry, 1000), 180.0)
    line = settle("1 000 notices at once, 40 channels", caused, said(sink))
    assert (line.lost, line.doubled, line.again_same_key) == (0, 0, 0)


def test_a_notice_held_over_a_night_is_not_taken_for_one_that_failed_for_long(registry: Registry) -> None:
    """Its age counts from when it was to be sent."""
    night = Millis(SystemClock().now() - 8 * HOUR)
    with http_sink() as sink:
        sink.answer = lambda _got: Answer(503)
        hook = hooks(registry, sink.url, 1)[0]
        registry.people.add_channel(Channel("w-0-mail", "w-0", "email", "w0@yard.example"))
        held = notice(
            "n-1", hook.id, "w-0", at=night, state="held", not_before=Millis(SystemClock().now() - 1000)
        )
        registry.notices.put(held)
        with running(registry, senders(webhook=WebhookSender(OPEN)), pace=PATIENT):
            until(lambda: registry.notices.get("n-1").tries >= 2)
        assert len(registry.notices.of_episode("e-1")) == 1


def test_the_rest_of_a_beat_is_kept_while_everything_hangs(registry: Registry) -> None:
    """A loop with all its hands full still says that it is well, and ends soon when it is told to."""
    release = threading.Event()
    with http_sink() as sink:
        sink.answer = lambda _got: Answer() if release.wait(20.0) else Answer(500)
        cause(registry, hooks(registry, sink.url, 70), 70)
        with running(registry, senders(webhook=WebhookSender(OPEN, deadline_s=30.0))) as beats:
            until(lambda: len(sink.got) >= 20)
            before = len(beats)
            until(lambda: len(beats) >= before + 10)
            began = time.monotonic()
        assert time.monotonic() - began < 8.0
        release.set()
