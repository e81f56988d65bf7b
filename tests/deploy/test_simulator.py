"""What the reference probe does about a broker that loses what it has acknowledged."""

from __future__ import annotations

import time

import pytest

from deploy import sent_lately
from deploy.sent_lately import Sent, SentLately


def message(number: int) -> Sent:
    return Sent("turnbell/larkfield/K-01/readings", str(number).encode())


def test_what_was_acknowledged_is_sent_again_once_and_what_was_not_is_left_to_the_client() -> None:
    lately = SentLately()
    for number in (1, 2, 3):
        lately.sent(number, message(number))
    lately.acknowledged(1)
    lately.acknowledged(2)
    assert lately.again() == [message(1), message(2)]
    assert lately.again() == [], "they are under way again, under other numbers"
    assert lately.under_way == 1
    lately.acknowledged(3)
    assert lately.again() == [message(3)]


def test_an_acknowledgement_may_be_heard_before_the_sending_is_told() -> None:
    lately = SentLately()
    lately.acknowledged(1)
    lately.sent(1, message(1))
    assert lately.under_way == 0
    assert lately.again() == [message(1)]


def test_the_ring_is_bounded_by_time_and_by_number(monkeypatch: pytest.MonkeyPatch) -> None:
    lately, now = SentLately(), [0.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    for number in range(sent_lately.MOST + 10):
        lately.sent(number, message(number))
        lately.acknowledged(number)
    now[0] = sent_lately.KEEP_S - 1
    lately.sent(5000, message(5000))
    lately.acknowledged(5000)
    kept = lately.again()
    assert (len(kept), kept[0], kept[-1]) == (sent_lately.MOST, message(11), message(5000))
    lately.sent(1, message(1))
    lately.acknowledged(1)
    now[0] += 3600
    assert lately.again() == [message(1)], "the last one stays, however long ago"
    lately.sent(2, message(2))
    lately.acknowledged(2)
    now[0] += 3600
    lately.sent(3, message(3))
    lately.acknowledged(3)
    assert lately.again() == [message(3)], "the one before is on the disk by now"
