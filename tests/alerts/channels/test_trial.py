"""``test_send``: the trial of a channel from the page and the command line."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from alerts.channels import test_send as trial_send
from shared.people import Channel, Person
from shared.ports import Registry
from shared.stores import open_registry
from shared.times import Millis, SystemClock
from tests.alerts.channels.servers import Answer, http_sink
from tests.alerts.channels.ways import settings


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    opened = open_registry(tmp_path / "registry.db")
    opened.people.add(Person("ada", "Ada", "Europe/Dublin", language="de"))
    yield opened
    opened.close()


def test_an_accepted_trial_says_nothing_and_switches_a_disabled_channel_on(registry: Registry) -> None:
    with http_sink() as sink:
        registry.people.add_channel(
            Channel("c-1", "ada", "webhook", sink.url, None, Millis(1), "it answered 404")
        )
        assert trial_send(registry, settings(), SystemClock(), "c-1") == ""
    assert b"Turnbell erreicht dich hier" in sink.got[0].body
    channel = registry.people.channel("c-1")
    assert (channel.disabled_at, channel.disabled_why) == (None, "")


def test_a_refused_trial_says_why_and_leaves_the_channel_as_it_was(registry: Registry) -> None:
    with http_sink() as sink:
        sink.answer = lambda _got: Answer(404)
        registry.people.add_channel(Channel("c-1", "ada", "webhook", sink.url, None, Millis(1), "by hand"))
        assert trial_send(registry, settings(), SystemClock(), "c-1") == "it answered 404"
    assert registry.people.channel("c-1").disabled_why == "by hand"


def test_a_channel_that_is_not_there_is_said(registry: Registry) -> None:
    assert trial_send(registry, settings(), SystemClock(), "c-9") == "there is no channel c-9"
