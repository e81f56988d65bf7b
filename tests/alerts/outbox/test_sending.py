"""What becomes of a notice: sent once, tried again, told by another way, or not needed any more."""

from __future__ import annotations

import dataclasses
import threading

import pytest

from alerts.channels.port import Parcel
from alerts.outbox_elsewhere import REASON
from shared.notices import Notice
from shared.people import Channel, Subscription
from shared.ports import Registry
from shared.times import DAY, HOUR, MINUTE, Millis, ScaledClock, SystemClock
from tests.alerts.outbox.yard import (
    PATIENT,
    QUICK,
    Recorder,
    episode,
    notice,
    refuse,
    running,
    senders,
    until,
)


def state(registry: Registry, id_: str = "n-1") -> str:
    return registry.notices.get(id_).state


def copies(registry: Registry, episode_id: str = "e-1") -> list[Notice]:
    return [found for found in registry.notices.of_episode(episode_id) if found.reason == REASON]


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
    with running(registry, senders(email=mail)), running(registry, senders(email=mail)) as beats:
        until(lambda: mail.ids == ["n-1"])
        start = beats[-1]
        until(lambda: beats[-1] - start > 2 * PATIENT.lease_s)
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


# -- permanent failures


def test_a_permanent_failure_disables_the_channel_visibly_and_tells_by_another(registry: Registry) -> None:
    mail, hook = Recorder(refuse("mail server: 550 no such user", permanent=True)), Recorder()
    registry.notices.put(notice())
    with running(registry, senders(email=mail, webhook=hook)):
        until(lambda: hook.parcels)
        until(lambda: copies(registry)[0].state == "sent")
    assert state(registry) == "failed"
    channel = registry.people.channel("ada-mail")
    assert channel.disabled_at is not None
    assert channel.disabled_why == "mail server: 550 no such user"
    told = hook.parcels[0].notice
    assert (told.person_id, told.reason, told.kind, told.title) == (
        "ada",
        "channel_failed",
        "turn_due",
        "K-07 wants a turn now",
    )
    assert told.text.splitlines()[0] == "K-07 wants a turn now."
    assert "because email does not work: mail server: 550 no such user" in told.text.splitlines()[1]


def test_who_has_no_other_channel_is_stood_in_for_by_the_next_in_line(registry: Registry) -> None:
    mail = Recorder(
        lambda parcel: refuse("no", permanent=True)(parcel) if parcel.person.id == "ada" else None
    )
    registry.people.change_channel("ada-hook", disabled_at=Millis(1), disabled_why="gone")
    registry.notices.put(notice())
    with running(registry, senders(email=mail)):
        until(lambda: [c.state for c in copies(registry)] == ["sent"])
    told = copies(registry)[0]
    assert (told.person_id, told.channel_id) == ("ben", "ben-mail")
    assert "You get it because Ada cannot be reached by email: no." in told.text


def test_failing_that_whoever_wants_such_notices_is_told_and_failing_that_everyone(
    registry: Registry,
) -> None:
    registry.people.change("ada", escalate_to=None)
    registry.people.change_channel("ada-hook", disabled_at=Millis(1), disabled_why="gone")
    mail, topic = Recorder(refuse("no", permanent=True)), Recorder()
    registry.notices.put(notice())
    with running(registry, senders(email=mail, mqtt=topic)):
        until(lambda: topic.parcels)
    assert [parcel.person.id for parcel in topic.parcels] == ["cem"]
    registry.people.unsubscribe("s-cem")
    registry.people.subscribe(Subscription("s-other", "cem", kinds=("battery_low",)))
    registry.people.change_channel("ada-mail", disabled_at=None, disabled_why="")
    registry.episodes.put(episode("e-2", "cool_pile"))
    registry.notices.put(notice("n-2", episode_id="e-2", kind="cool_pile"))
    with running(registry, senders(email=mail, mqtt=topic)):
        until(lambda: {p.notice.episode_id for p in topic.parcels} == {"e-1", "e-2"})


def test_with_nobody_left_a_notice_is_kept_and_tried_until_a_channel_is_mended(registry: Registry) -> None:
    for channel in ("ada-hook", "ben-mail", "cem-topic"):
        registry.people.change_channel(channel, disabled_at=Millis(1), disabled_why="gone")
    broken = [True]
    mail = Recorder(lambda parcel: refuse("no", permanent=True)(parcel) if broken[0] else None)
    registry.notices.put(notice())
    with running(registry, senders(email=mail)):
        until(lambda: "nobody else can be reached" in registry.notices.get("n-1").last_error)
        assert state(registry) == "waiting"
        broken[0] = False
        registry.people.change_channel("ada-mail", disabled_at=None, disabled_why="")
        until(lambda: state(registry) == "sent")


def test_a_copy_that_fails_too_goes_on_to_the_next_and_never_back(registry: Registry) -> None:
    bad = refuse("no", permanent=True)
    mail = Recorder(lambda parcel: bad(parcel) if parcel.person.id == "ada" else None)
    registry.notices.put(notice())
    with running(registry, senders(email=mail, webhook=Recorder(bad))):
        until(lambda: "sent" in [c.state for c in copies(registry)])
    told = {c.channel_id: c.state for c in copies(registry)}
    assert told == {"ada-hook": "failed", "ben-mail": "sent"}


def test_who_hears_the_same_by_another_channel_anyway_gets_no_copy(registry: Registry) -> None:
    at = SystemClock().now()
    registry.notices.put(notice("n-1", at=at))
    registry.notices.put(notice("n-2", "ada-hook", at=at))
    with running(registry, senders(email=Recorder(refuse("no", permanent=True)))):
        until(lambda: (state(registry), state(registry, "n-2")) == ("failed", "sent"))
    assert copies(registry) == []


def test_what_fails_in_vain_for_long_is_told_by_another_channel_as_well(registry: Registry) -> None:
    down = [True]
    mail = Recorder(lambda parcel: refuse("it did not answer in time")(parcel) if down[0] else None)
    hook = Recorder()
    registry.notices.put(notice())
    with running(registry, senders(email=mail, webhook=hook), pace=QUICK):
        until(lambda: hook.parcels)
        assert registry.people.channel("ada-mail").disabled_at is None
        down[0] = False
        until(lambda: state(registry) == "sent")
    assert len(hook.parcels) == 1
    assert set(mail.ids) == {"n-1"}


def test_notices_to_a_channel_that_is_disabled_already_go_the_other_way(registry: Registry) -> None:
    registry.people.change_channel("ada-mail", disabled_at=Millis(1), disabled_why="by hand")
    mail, hook = Recorder(), Recorder()
    registry.notices.put(notice())
    with running(registry, senders(email=mail, webhook=hook)):
        until(lambda: hook.parcels)
    assert mail.parcels == []
    assert registry.people.channel("ada-mail").disabled_at == 1


def test_a_channel_that_is_gone_is_no_end_of_the_notice(registry: Registry) -> None:
    hook = Recorder()
    registry.notices.put(notice(channel="never-was"))
    with running(registry, senders(webhook=hook)):
        until(lambda: hook.parcels)
    assert state(registry) == "failed"


# -- what is not needed any more


def resolve(registry: Registry, id_: str = "e-1") -> None:
    over = dataclasses.replace(registry.episodes.get(id_), state="resolved", resolved_at=SystemClock().now())
    registry.episodes.put(over)


@pytest.mark.parametrize("reason", ["first", "worse", "reminder", "escalated"])
def test_a_call_to_act_on_what_is_over_is_withheld_with_its_reason(registry: Registry, reason: str) -> None:
    mail = Recorder()
    resolve(registry)
    registry.notices.put(notice(reason=reason))
    with running(registry, senders(email=mail)):
        until(lambda: state(registry) == "withheld")
    assert mail.parcels == []
    assert registry.notices.get("n-1").reason == "resolved_before_sent"


@pytest.mark.parametrize("reason", ["resolved", "corrected"])
def test_that_it_is_over_is_told(registry: Registry, reason: str) -> None:
    resolve(registry)
    registry.notices.put(notice(reason=reason))
    with running(registry, senders()):
        until(lambda: state(registry) == "sent")


@pytest.mark.parametrize(
    "kind", ["fire_watch", "rule_met", "cooled", "morning_round", "turn_found", "cool_pile"]
)
def test_news_that_stay_news_are_told_though_they_are_over(registry: Registry, kind: str) -> None:
    registry.episodes.put(episode("e-9", kind, state="resolved"))  # type: ignore[arg-type]
    registry.notices.put(notice(episode_id="e-9", kind=kind))
    with running(registry, senders()):
        until(lambda: state(registry) == "sent")


def test_while_the_episode_is_open_nothing_expires_however_old(registry: Registry) -> None:
    mail = Recorder()
    registry.notices.put(notice(at=Millis(SystemClock().now() - 60 * DAY), tries=500))
    with running(registry, senders(email=mail)):
        until(lambda: mail.ids == ["n-1"])


def test_what_is_over_and_could_not_be_sent_for_a_week_expires(registry: Registry) -> None:
    registry.episodes.put(episode("e-9", "cool_pile", state="resolved"))
    registry.notices.put(
        notice(episode_id="e-9", kind="cool_pile", at=Millis(SystemClock().now() - 8 * DAY), tries=9)
    )
    with running(registry, senders()):
        until(lambda: state(registry) == "expired")


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


def test_a_second_channel_of_the_same_kind_is_another_way(registry: Registry) -> None:
    registry.people.add_channel(Channel("ada-mail-2", "ada", "email", "ada.home@yard.example"))
    registry.people.change_channel("ada-hook", disabled_at=Millis(1), disabled_why="gone")
    mail = Recorder(lambda p: refuse("no", permanent=True)(p) if p.channel.id == "ada-mail" else None)
    registry.notices.put(notice(at=Millis(SystemClock().now() - 5 * MINUTE)))
    with running(registry, senders(email=mail)):
        until(lambda: [c.channel_id for c in copies(registry) if c.state == "sent"] == ["ada-mail-2"])
