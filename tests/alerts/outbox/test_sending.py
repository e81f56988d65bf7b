"""What becomes of a notice: sent once, or tried again under the same id."""

from __future__ import annotations

import threading
from dataclasses import replace

import pytest

from alerts.channels.port import Parcel
from shared.ports import Registry
from shared.times import HOUR, Millis, ScaledClock, SystemClock
from tests.alerts.outbox.accounts import state
from tests.alerts.outbox.yard import (
    PATIENT,
    QUICK,
    Recorder,
    notice,
    refuse,
    running,
    senders,
    until,
)


def test_a_notice_is_sent_once_and_marked(registry: Registry) -> None:
    mail = Recorder()
    registry.notices.put(notice())
    with running(registry, senders(email=mail)):
        until(lambda: state(registry) == "sent")
    kept = registry.notices.get("n-1")
    assert mail.ids == ["n-1"]
    assert (kept.tries, kept.last_error, kept.leased_until) == (1, "", None)
    assert kept.sent_at is not None


def test_a_restart_sends_nothing_new(registry: Registry) -> None:
    mail = Recorder()
    registry.notices.put(notice())
    with running(registry, senders(email=mail)):
        until(lambda: state(registry) == "sent")
    with running(registry, senders(email=mail)) as beats:
        until(lambda: len(beats) > 5)
    assert mail.ids == ["n-1"]


def test_a_held_notice_waits_for_its_time(registry: Registry) -> None:
    mail = Recorder()
    registry.notices.put(notice(state="held", not_before=Millis(SystemClock().now() + 300)))
    with running(registry, senders(email=mail)) as beats:
        until(lambda: len(beats) > 5)
        assert mail.ids == []
        until(lambda: mail.ids == ["n-1"])


def test_a_failure_is_tried_again_with_the_same_id_until_it_is_accepted(registry: Registry) -> None:
    left = [1, 2, 3]

    def answer(parcel: Parcel) -> None:
        if left:
            left.pop()
            refuse("it answered 503")(parcel)

    mail = Recorder(answer)
    registry.notices.put(notice())
    with running(registry, senders(email=mail)):
        until(lambda: state(registry) == "sent")
    assert mail.ids == ["n-1"] * 4
    assert registry.notices.get("n-1").tries == 4


def test_the_other_side_may_ask_for_a_pause(registry: Registry) -> None:
    mail = Recorder(refuse("it answered 429", retry_after_s=500.0))
    registry.notices.put(notice())
    with running(registry, senders(email=mail)):
        until(lambda: registry.notices.get("n-1").tries == 1)
    kept = registry.notices.get("n-1")
    assert kept.state == "waiting"
    assert kept.next_try_at is not None
    assert kept.next_try_at >= SystemClock().now() + 490_000


def test_while_a_channel_rests_its_other_notices_wait_untried_but_urgent_ones_go(registry: Registry) -> None:
    mail = Recorder(refuse("it answered 503", retry_after_s=500.0))
    for number in range(30):
        registry.notices.put(notice(f"n-{number:02}"))
    with running(registry, senders(email=mail)):
        until(lambda: all(n.last_error for n in registry.notices.of_episode("e-1")))
        assert len(mail.parcels) == 1
        registry.notices.put(notice("n-urgent", severity="urgent"))
        until(lambda: "n-urgent" in mail.ids)
    assert sum(n.tries for n in registry.notices.of_episode("e-1")) == 2


def test_a_channel_that_hangs_does_not_hold_up_the_others(registry: Registry) -> None:
    gate = threading.Event()
    hook, mail = Recorder(lambda _parcel: gate.wait(8.0)), Recorder()
    for number in range(100):
        registry.notices.put(notice(f"a-{number:03}", channel="ada-hook", at=Millis(1000 + number)))
    registry.notices.put(notice("z-1"))
    with running(registry, senders(webhook=hook, email=mail)) as beats:
        until(lambda: mail.ids == ["z-1"], 5.0)
        before = len(beats)
        until(lambda: len(beats) > before + 5)
        gate.set()
        until(lambda: len(hook.parcels) >= 100)
    assert sorted(hook.ids) == [f"a-{number:03}" for number in range(100)]


def test_a_slow_send_keeps_its_lease(registry: Registry) -> None:
    """Longer than the lease is long, beside another sender that would take what is free."""
    gate = threading.Event()
    mail = Recorder(lambda _parcel: gate.wait(10.0))
    registry.notices.put(notice())
    pace = replace(PATIENT, lease_s=3.0)
    one, two = (running(registry, senders(email=mail), pace=pace) for _ in range(2))
    with one, two as beats:
        until(lambda: mail.ids == ["n-1"] and beats)
        start = beats[-1]
        until(lambda: beats[-1] - start > 1.5 * pace.lease_s)
        gate.set()
        until(lambda: state(registry) == "sent")
    assert mail.ids == ["n-1"]


def test_what_is_not_begun_at_the_stop_is_given_back_at_once(registry: Registry) -> None:
    gate = threading.Event()
    mail = Recorder(lambda _parcel: gate.wait(1.0))
    for number in range(5):
        registry.notices.put(notice(f"n-{number}"))
    with running(registry, senders(email=mail)):
        until(lambda: mail.parcels)
    states = [n.state for n in registry.notices.of_episode("e-1")]
    assert sorted(states) == ["sent", "waiting", "waiting", "waiting", "waiting"]
    assert all(n.leased_until is None for n in registry.notices.of_episode("e-1"))


# -- the machine's time and the site's


def test_on_a_fast_clock_pauses_are_the_machines_own(registry: Registry) -> None:
    clock = ScaledClock(SystemClock().now(), 600.0)
    registry.notices.put(notice(at=clock.now()))
    mail = Recorder(refuse("it answered 503", retry_after_s=60.0))
    with running(registry, senders(email=mail), clock=clock):
        until(lambda: registry.notices.get("n-1").tries == 1)
        later = registry.notices.get("n-1").next_try_at
        assert later is not None
        assert later - clock.now() > 9 * HOUR  # a minute of the machine is ten hours there


def test_pauses_double_with_jitter_up_to_their_longest_and_urgent_ones_stay_short() -> None:
    import random

    chance = random.Random(7)
    act = [PATIENT.wait_s(n, "act", None, chance) for n in (1, 2, 3, 40)]
    assert 0.01 <= act[0] <= 0.02 <= act[1] * 2
    assert act[3] <= PATIENT.longest_wait_s
    assert len({PATIENT.wait_s(9, "act", None, chance) for _ in range(20)}) == 20
    assert QUICK.wait_s(40, "urgent", None, chance) <= QUICK.urgent_wait_s
    assert QUICK.wait_s(1, "urgent", 77.0, chance) == 77.0


def test_a_picture_that_fails_never_stops_the_message(registry: Registry) -> None:
    drawn: list[object] = []
    mail = Recorder(lambda parcel: drawn.append(parcel.picture()))
    registry.notices.put(notice(pile_id="pile-7"))
    with running(registry, senders(email=mail)):
        until(lambda: state(registry) == "sent")
    assert drawn == [None]


def test_a_fault_of_the_program_reaches_the_supervisor_and_loses_nothing(registry: Registry) -> None:
    def answer(_parcel: Parcel) -> None:
        raise ZeroDivisionError

    registry.notices.put(notice())
    with pytest.raises(ZeroDivisionError), running(registry, senders(email=Recorder(answer))):
        until(lambda: not [t for t in threading.enumerate() if t.name.startswith("send")])
    with running(registry, senders()):
        until(lambda: state(registry) == "sent")
