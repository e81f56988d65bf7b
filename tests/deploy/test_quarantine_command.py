"""`turnbell quarantine`: look at what could not be used, mend, try again."""

from __future__ import annotations

from pathlib import Path

import pytest

from deploy.cli import run
from shared.readings import SensorKey
from shared.stores import READINGS_FILE, REGISTRY_FILE, open_readings, open_registry
from shared.times import Millis, Span, SystemClock

NOW = SystemClock().now()
TOPIC = "turnbell/larkfield/K-01/readings"
MAPPING = '[decoders.box]\nwhen = "kind == \'box\'"\ncelsius.45 = "deep.core"\n'


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A large message that no decoder knows yet, and one that none will ever know."""
    filler = "x" * 20_000
    registry = open_registry(tmp_path / REGISTRY_FILE)
    payload = f'{{"kind":"box","deep":{{"core":61.5}},"filler":"{filler}"}}'
    registry.quarantine.put(Millis(NOW - 5_000), TOPIC, "the object has none of celsius", payload.encode())
    registry.quarantine.put(NOW, TOPIC, "the first byte begins none of the known formats", b"\x1b]0;junk")
    registry.quarantine.put(NOW, TOPIC, "the payload has 70000 bytes; 65536 are the most", b"[" * 70_000)
    registry.close()
    return tmp_path


def test_the_list_shows_why_and_no_raw_bytes(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["quarantine", "list", "--data", str(data)]) == 0
    said = capsys.readouterr().out
    assert "the object has none of celsius" in said
    assert "70000 bytes" in said
    assert "\x1b" not in said


def test_after_a_mapping_was_added_a_message_of_twenty_kilobytes_is_freed(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = data / "turnbell.toml"
    config.write_text(MAPPING)
    assert run(["quarantine", "replay", "--data", str(data), "--config", str(config)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("1 messages freed, 1 new readings stored, 2 stay.")
    assert "only 4096 of its 70000 bytes were kept" in said
    readings = open_readings(data / READINGS_FILE)
    curve = readings.read(SensorKey("larkfield", "K-01", "45"), Span(Millis(0)))
    assert (curve.at.tolist(), curve.value.tolist()) == ([NOW - 5_000], [61.5])
    readings.close()


def test_only_the_named_messages_are_tried(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["quarantine", "replay", "2", "--data", str(data)]) == 0
    assert capsys.readouterr().out.startswith("0 messages freed, 0 new readings stored, 1 stay.")


def test_an_empty_quarantine_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    open_registry(tmp_path / REGISTRY_FILE).close()
    assert run(["quarantine", "list", "--data", str(tmp_path)]) == 0
    assert capsys.readouterr().out == "The quarantine is empty.\n"
