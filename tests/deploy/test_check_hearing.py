"""`turnbell check` says what the ingester found out about its rights at the broker."""

from __future__ import annotations

from pathlib import Path

import pytest

from deploy.cli import run
from ingest import hearing
from shared.stores import REGISTRY_FILE, open_registry
from shared.times import Millis, SystemClock, parse_time


def noted(folder: Path, said: str, beat: Millis) -> None:
    """By an ingester that beat last then."""
    registry = open_registry(folder / REGISTRY_FILE)
    registry.memory.set(hearing.NAME, said)
    registry.memory.set("beat.ingest", str(beat))
    registry.close()


@pytest.mark.parametrize(
    ("said", "line"),
    [
        (hearing.HEARS, "ok    ingester: hears what it publishes"),
        (hearing.NO_ECHO, "warn  ingester: readings come in, but not the ingester's own echo"),
        (hearing.NOTHING, "FAIL  ingester: the broker takes the subscription, yet lets nothing through"),
    ],
)
def test_the_doctor_repeats_what_the_ingester_noted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], said: str, line: str
) -> None:
    noted(tmp_path, said, SystemClock().now())
    config = tmp_path / "turnbell.toml"
    config.write_text('[mqtt]\nhost = "127.0.0.1"\nport = 9\n')
    status = run(["check", "--data", str(tmp_path), "--config", str(config)])
    assert line in capsys.readouterr().out
    assert status == 1 or said != hearing.NOTHING


@pytest.mark.parametrize(
    ("said", "line"),
    [
        (hearing.HEARS, "when it last did (2026-11-01T00:00:00Z) it heard itself"),
        (hearing.NOTHING, "when it last did (2026-11-01T00:00:00Z) it found that the broker takes"),
    ],
)
def test_what_an_ingester_noted_that_runs_no_more_is_of_the_past(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], said: str, line: str
) -> None:
    """As in a data directory that came out of a backup."""
    noted(tmp_path, said, parse_time("2026-11-01T00:00:00Z"))
    assert run(["check", "--data", str(tmp_path)]) == 0
    assert f"warn  ingester: does not run; {line}" in capsys.readouterr().out


def test_what_came_out_of_a_backup_a_moment_ago_does_not_run_either(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    noted(tmp_path, hearing.HEARS, SystemClock().now())
    assert run(["check", "--data", str(tmp_path)]) == 0
    assert "warn  ingester: does not run; when it last did" in capsys.readouterr().out
