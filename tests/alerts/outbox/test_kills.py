"""Senders in processes of their own, killed without warning, and two of them at once."""

from __future__ import annotations

import itertools
import random
import threading
from pathlib import Path

import pytest

from alerts.channels.webhook import WebhookSender
from shared.ports import Registry
from tests.alerts.channels.servers import Answer, Got, http_sink
from tests.alerts.outbox import sender_child
from tests.alerts.outbox.causes import OPEN, all_sent, cause, hooks, said
from tests.alerts.outbox.ledger import settle
from tests.alerts.outbox.yard import running, senders, until
from tests.forks import Fork


def child(folder: Path, step: str = "-", lease_s: float = 1.0) -> Fork:
    return Fork(sender_child.main, folder / "registry.db", step, lease_s)


def says(process: Fork, word: str) -> None:
    """Wait until the child says it."""
    heard = list(itertools.takewhile(lambda line: line.strip() != word, process.stdout))
    assert process.poll() is None, heard


@pytest.mark.parametrize("step", sender_child.STEPS)
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
                process.stdin.close()
                assert process.wait(20.0) == 0
    line = settle("two senders at once", caused, said(sink))
    assert (line.lost, line.doubled, line.again_same_key) == (0, 0, 0)
