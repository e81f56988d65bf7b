"""Real servers, real processes, real faults: nothing is lost, and nothing comes twice under two keys."""

from __future__ import annotations

import contextlib
import email
import itertools
import json
import random
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Self

import pytest

from alerts.channels.mail import MailSender
from alerts.channels.webhook import WebhookSender
from alerts.outbox_pace import Pace
from shared.people import Channel, Person
from shared.ports import Registry
from shared.settings import Settings
from shared.times import HOUR, Millis, ScaledClock, SystemClock
from tests.alerts.channels.servers import Answer, Got, HttpSink, SmtpSink, free_port, http_sink, smtp_sink
from tests.alerts.outbox.ledger import settle
from tests.alerts.outbox.sender_child import STEPS
from tests.alerts.outbox.yard import PATIENT, episode, notice, running, senders, until

ROOT = Path(__file__).parents[3]
OPEN = Settings.model_validate({"web": {"allow_private_webhooks": True}})


def said(sink: HttpSink, since: int = 0) -> list[tuple[str, str]]:
    return [(got.headers["idempotency-key"], words_of(got)) for got in sink.got[since:]]


def words_of(got: Got) -> str:
    said_there = json.loads(got.body)
    return f"{said_there['episode']} {said_there['reason']} {said_there['text']}"


def posted(sink: SmtpSink) -> list[tuple[str, str]]:
    messages = [email.message_from_bytes(letter.content) for letter in sink.letters]
    return [
        (m["Message-ID"].strip("<>").partition("@")[0], f"{m['References']} {m['Subject']}") for m in messages
    ]


def all_sent(registry: Registry, count: int) -> bool:
    found = registry.notices.all(limit=10_000)
    return len(found) == count and all(n.state == "sent" for n in found)


def hooks(registry: Registry, url: str, count: int) -> list[Channel]:
    """So many people with a webhook each."""
    channels = []
    for number in range(count):
        registry.people.add(Person(f"w-{number}", f"Worker {number}", "Europe/Dublin"))
        channels.append(Channel(f"hook-{number}", f"w-{number}", "webhook", f"{url}/{number}"))
        registry.people.add_channel(channels[-1])
    return channels


def cause(registry: Registry, channels: list[Channel], count: int) -> list[str]:
    """So many notices, in one transaction, each of an episode of its own."""
    with registry.begin() as tx:
        for number in range(count):
            way = channels[number % len(channels)]
            tx.episodes.put(episode(f"e-{number:04}", subject=f"s-{number:04}"))
            tx.notices.put(
                notice(
                    f"n-{number:04}",
                    way.id,
                    way.person_id,
                    episode_id=f"e-{number:04}",
                    title=f"Pile {number}",
                )
            )
    return [f"n-{number:04}" for number in range(count)]


def test_the_mail_server_is_down_for_an_hour(registry: Registry) -> None:
    """An hour in five seconds: the site's clock and the sender's pauses run 720 times as fast."""
    speed = 720.0
    clock = ScaledClock(SystemClock().now(), speed)
    pace = Pace(
        poll_s=0.01,
        lease_s=1.0,
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
        until(lambda: clock.now() - began >= HOUR, 20.0)
        assert not any(n.state == "sent" for n in registry.notices.all(limit=500))
        assert all(registry.people.channel(way.id).disabled_at is None for way in ways)
        with smtp_sink(port=port) as sink:
            until(lambda: all_sent(registry, 200), 30.0)
    line = settle("mail server down for an hour", caused, posted(sink))
    assert (line.lost, line.doubled, line.again_same_key) == (0, 0, 0)


class Moody:
    """An HTTP server that now and then answers 500 or 429, hangs, or breaks off: before or after it took the message."""

    MOODS = ("ok", "500", "429", "hang", "half", "cut", "half headers")

    def __init__(self, seed: int, bad_for: int) -> None:
        self._chance, self._left = random.Random(seed), bad_for
        self.taken: list[tuple[str, str]] = []
        self.moods: list[str] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.05)
        self._ended, self._lock = threading.Event(), threading.Lock()
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self.port: int = self._listener.getsockname()[1]

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join(5.0)
        self._listener.close()

    def _accept(self) -> None:
        while not self._ended.is_set():
            with contextlib.suppress(TimeoutError):
                sock, _ = self._listener.accept()
                threading.Thread(target=self._serve, args=(sock,), daemon=True).start()

    def _mood(self) -> str:
        with self._lock:
            self._left -= 1
            mood = self._chance.choice(self.MOODS) if self._left > 0 else "ok"
            self.moods.append(mood)
            return mood

    def _serve(self, sock: socket.socket) -> None:
        with contextlib.suppress(OSError), sock:
            sock.settimeout(3.0)
            mood, request = self._mood(), self._read(sock)
            if mood in {"ok", "half", "cut", "half headers"}:  # taken, whatever the sender hears of it
                with self._lock:
                    self.taken.append(request)
            answers = {
                "ok": b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nok",
                "500": b"HTTP/1.1 500 Oh\r\nContent-Length: 0\r\n\r\n",
                "429": b"HTTP/1.1 429 Slow\r\nRetry-After: 0\r\nContent-Length: 0\r\n\r\n",
                "half": b"HTTP/1.1 200 OK\r\nContent-Length: 99\r\n\r\nok",
                "half headers": b"HTTP/1.1 200 OK\r\nConte",
            }
            if mood == "hang":
                self._ended.wait(2.0)
            sock.sendall(answers.get(mood, b""))

    @staticmethod
    def _read(sock: socket.socket) -> tuple[str, str]:
        raw = b""
        while b"\r\n\r\n" not in raw:
            raw += sock.recv(65536)
        head, _, rest = raw.partition(b"\r\n\r\n")
        headers = dict(line.lower().split(": ", 1) for line in head.decode().split("\r\n")[1:])
        while len(rest) < int(headers["content-length"]):
            rest += sock.recv(65536)
        body = json.loads(rest)
        return headers["idempotency-key"], f"{body['episode']} {body['reason']} {body['title']}"


def test_a_webhook_that_fails_in_every_way_gets_everything_in_the_end(registry: Registry) -> None:
    with Moody(seed=26, bad_for=250) as moody:
        caused = cause(registry, hooks(registry, f"http://127.0.0.1:{moody.port}", 25), 150)
        with running(registry, senders(webhook=WebhookSender(OPEN, deadline_s=0.3))):
            until(lambda: all_sent(registry, 150), 60.0)
    assert set(moody.moods) == set(Moody.MOODS)
    line = settle("webhook 500, 429, hang, half reply, cut off", caused, moody.taken)
    assert (line.lost, line.doubled) == (0, 0)


def test_a_thousand_notices_at_once(registry: Registry) -> None:
    with http_sink() as sink:
        caused = cause(registry, hooks(registry, sink.url, 40), 1000)
        with running(registry, senders(webhook=WebhookSender(OPEN))):
            until(lambda: all_sent(registry, 1000), 90.0)
    line = settle("1 000 notices at once, 40 channels", caused, said(sink))
    assert (line.lost, line.doubled, line.again_same_key) == (0, 0, 0)


# -- processes


@contextlib.contextmanager
def child(folder: Path, step: str = "-", lease_s: float = 1.0) -> Iterator[subprocess.Popen[str]]:
    program = [sys.executable, "-m", "tests.alerts.outbox.sender_child"]
    arguments = [*program, str(folder / "registry.db"), step, str(lease_s)]
    process = subprocess.Popen(arguments, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        yield process
    finally:
        process.kill()
        process.wait(10.0)
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()


def says(process: subprocess.Popen[str], word: str) -> None:
    """Wait until the child says it."""
    assert process.stdout is not None
    timer = threading.Timer(30.0, process.kill)
    timer.start()
    heard = list(itertools.takewhile(lambda line: line.strip() != word, process.stdout))
    timer.cancel()
    assert process.poll() is None, heard


@pytest.mark.parametrize("step", STEPS)
def test_killed_at_any_step_the_next_sender_brings_it_under_the_same_key(
    registry: Registry, tmp_path: Path, step: str
) -> None:
    with http_sink() as sink:
        caused = cause(registry, hooks(registry, sink.url, 1), 6)
        with child(tmp_path, step) as first:
            says(first, f"at {step}")
            first.kill()  # SIGKILL
            first.wait(10.0)
        with running(registry, senders(webhook=WebhookSender(OPEN))):
            until(lambda: all_sent(registry, 6), 30.0)
    line = settle(f"kill -9: {step.replace('_', ' ')}", caused, said(sink))
    assert (line.lost, line.doubled) == (0, 0)
    assert line.again_same_key == int(step in {"after_send", "before_mark"})


def test_killed_while_the_other_side_thinks(registry: Registry, tmp_path: Path) -> None:
    """The request is there, the answer is not: nobody can know, so it comes again under the same key."""
    reached, answer = threading.Event(), threading.Event()

    def think(_got: Got) -> Answer:
        reached.set()
        answer.wait(10.0)
        return Answer()

    with http_sink() as sink:
        sink.answer = think
        caused = cause(registry, hooks(registry, sink.url, 1), 1)
        with child(tmp_path) as first:
            assert reached.wait(20.0)
            first.kill()
            first.wait(10.0)
        answer.set()
        sink.answer = lambda _got: Answer()
        with running(registry, senders(webhook=WebhookSender(OPEN))):
            until(lambda: all_sent(registry, 1), 30.0)
    line = settle("kill -9: while the other side thinks", caused, said(sink))
    assert (line.lost, line.doubled, line.again_same_key) == (0, 0, 1)


def test_killed_again_and_again_at_any_moment(registry: Registry, tmp_path: Path) -> None:
    chance = random.Random(5)
    with http_sink() as sink:
        caused = cause(registry, hooks(registry, sink.url, 8), 240)
        for _ in range(3):
            with child(tmp_path) as one:
                says(one, "ready")
                started, enough = len(sink.got), chance.randint(1, 40)
                until(lambda started=started, enough=enough: len(sink.got) >= started + enough, 30.0)  # type: ignore[misc]
        with running(registry, senders(webhook=WebhookSender(OPEN))):
            until(lambda: all_sent(registry, 240), 60.0)
    line = settle("kill -9 three times at any moment", caused, said(sink))
    assert (line.lost, line.doubled) == (0, 0)


def test_two_senders_at_once_never_take_the_same_notice(registry: Registry, tmp_path: Path) -> None:
    with http_sink() as sink:
        caused = cause(registry, hooks(registry, sink.url, 20), 200)
        with child(tmp_path, lease_s=15.0) as one, child(tmp_path, lease_s=15.0) as two:
            until(lambda: all_sent(registry, 200), 60.0)
            for process in (one, two):
                assert process.stdin is not None
                process.stdin.close()
                assert process.wait(20.0) == 0
    line = settle("two senders at once", caused, said(sink))
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
