"""A channel that does not work: disabled where everyone sees it, and its notices told by another way."""

from __future__ import annotations

from typing import Any

import pytest

from alerts.channels.failures import http_failure
from alerts.channels.port import Parcel
from alerts.outbox_pace import Pace
from shared.people import Channel, Subscription
from shared.ports import Registry
from shared.times import MINUTE, Millis, SystemClock
from tests.alerts.outbox.accounts import copies, state
from tests.alerts.outbox.yard import (
    QUICK,
    Recorder,
    episode,
    notice,
    refuse,
    running,
    senders,
    until,
)


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


@pytest.mark.parametrize(("tried_for", "disabled"), [(50 * MINUTE, False), (61 * MINUTE, True)])
def test_an_address_that_is_not_found_is_given_up_only_after_an_hour(
    registry: Registry, tried_for: int, disabled: bool
) -> None:
    """A service that is just being put up again answers 404 for some minutes; what is gone for good says 410."""

    def not_found(_: Parcel) -> None:
        raise http_failure(404)

    at = Millis(SystemClock().now() - tried_for)
    registry.notices.put(notice("n-1", "ada-hook", at=at))
    with running(registry, senders(webhook=Recorder(not_found)), pace=Pace(poll_s=0.01)):
        until(lambda: registry.notices.get("n-1").tries and copies(registry))
    assert (registry.people.channel("ada-hook").disabled_at is not None) == disabled
    assert state(registry) == ("failed" if disabled else "waiting")


def test_a_round_is_sent_while_any_of_its_piles_still_wants_it(registry: Registry) -> None:
    over: dict[str, Any] = {"state": "resolved", "resolved_at": Millis(1)}
    registry.episodes.put(episode("e-1", **over))
    registry.episodes.put(episode("e-2", kind="cool_pile"))
    registry.episodes.put(episode("e-3", kind="turn_soon", **over))
    mail = Recorder()
    registry.notices.put(notice("n-1", figures={"round_ids": ["e-3", "e-2"]}))
    registry.notices.put(notice("n-2", figures={"round_ids": ["e-3"]}))
    registry.notices.put(notice("n-3", figures={"also_ids": ["e-2"]}))
    with running(registry, senders(email=mail)):
        until(lambda: state(registry, "n-2") == "withheld")
        until(lambda: {state(registry, "n-1"), state(registry, "n-3")} == {"sent"})
    assert sorted(mail.ids) == ["n-1", "n-3"]


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


def test_a_second_channel_of_the_same_kind_is_another_way(registry: Registry) -> None:
    registry.people.add_channel(Channel("ada-mail-2", "ada", "email", "ada.home@yard.example"))
    registry.people.change_channel("ada-hook", disabled_at=Millis(1), disabled_why="gone")
    mail = Recorder(lambda p: refuse("no", permanent=True)(p) if p.channel.id == "ada-mail" else None)
    registry.notices.put(notice(at=Millis(SystemClock().now() - 5 * MINUTE)))
    with running(registry, senders(email=mail)):
        until(lambda: [c.channel_id for c in copies(registry) if c.state == "sent"] == ["ada-mail-2"])
