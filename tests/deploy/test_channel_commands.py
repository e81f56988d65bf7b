"""Trying a channel, and taking a role out of the watch, from the command line."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest

from deploy.cli import run
from deploy.registry_key import registry_key
from shared.people import Channel, Person
from shared.settings import Settings
from shared.stores import open_registry
from shared.times import DAY, Millis, SystemClock
from tests.alerts.channels.servers import Answer, http_sink


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    return folder


def add_hook(data: Path, url: str, disabled_at: int | None = None) -> None:
    registry = open_registry(data / "registry.db")
    registry.people.add(Person("ada", "Ada", "Europe/Dublin"))
    off = None if disabled_at is None else Millis(disabled_at)
    registry.people.add_channel(
        Channel("hook-1", "ada", "webhook", url, disabled_at=off, disabled_why="gone")
    )
    registry.close()


def test_a_trial_that_is_accepted_switches_the_channel_on_again(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = data / "turnbell.toml"
    config.write_text("[web]\nallow_private_webhooks = true\n")
    arguments = ["--data", str(data), "--config", str(config)]
    with http_sink() as sink:
        add_hook(data, f"{sink.url}/token-in-it", disabled_at=1)
        assert run(["channel", "list", *arguments]) == 0
        listed = capsys.readouterr().out
        assert "hook-1  Ada  webhook  off since 1970" in listed
        assert "token-in-it" not in listed
        assert run(["channel", "test", *arguments, "hook-1"]) == 0
        assert capsys.readouterr().out == "accepted by the other side\n"
        sink.answer = lambda _got: Answer(503)
        assert run(["channel", "test", *arguments, "hook-1"]) == 1
        assert capsys.readouterr().err == "turnbell: not accepted: it answered 503\n"
    assert len(sink.got) == 2
    registry = open_registry(data / "registry.db", key=partial(registry_key, data, Settings()))
    assert registry.people.channel("hook-1").disabled_at is None
    registry.close()


def test_a_channel_that_is_not_there_is_the_callers_mistake(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    add_hook(data, "https://hooks.example/1")
    assert run(["channel", "test", "--data", str(data), "hook-2"]) == 2
    assert "turnbell channel list" in capsys.readouterr().err


def test_a_role_that_was_taken_away_is_said_and_can_be_forgotten(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    registry = open_registry(data / "registry.db")
    registry.memory.set("beat.ingest", str(SystemClock().now() - 2 * DAY))
    registry.close()
    run(["check", "--data", str(data)])
    assert "turnbell check --gone ingest" in capsys.readouterr().out
    run(["check", "--data", str(data), "--gone", "ingest"])
    assert "role.ingest" not in capsys.readouterr().out
    assert run(["check", "--data", str(data), "--gone", "ingest"]) == 2
    assert "no role ingest ever ran" in capsys.readouterr().err
