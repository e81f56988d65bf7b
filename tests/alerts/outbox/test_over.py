"""What is over before it was sent, and what is told all the same."""

from __future__ import annotations

import dataclasses

import pytest

from shared.ports import Registry
from shared.times import DAY, Millis, SystemClock
from tests.alerts.outbox.accounts import state
from tests.alerts.outbox.yard import (
    Recorder,
    episode,
    notice,
    running,
    senders,
    until,
)


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
