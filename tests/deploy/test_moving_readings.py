"""Readings move from the embedded store to VictoriaMetrics, and every report stays the same."""

from __future__ import annotations

from pathlib import Path

import pytest

from deploy.cli import run
from shared.settings_read import load_settings
from shared.stores.line.store import LineReadings
from tests.contracts.victoria import Victoria
from tests.keeping.aged_yard import EVER, NOW, fill, opened
from tests.stores.line_yard import forwarder, settle


def test_what_moves_is_the_same_there_to_the_last_digit(
    victoria: Victoria, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, config = tmp_path / "data", tmp_path / "turnbell.toml"
    with opened(data) as house:
        fill(house)
        sensors = [one.sensor for one in house.readings.sensors()]
        before = house.readings.read_many(sensors, EVER)
        report, count = house.book.report("old", NOW), house.readings.count()
    config.write_text(f'[readings]\nurl = "{victoria.fresh()}"\n')
    told = ["move-readings", "--data", str(data), "--config", str(config)]
    assert run(told) == 0
    assert capsys.readouterr().out == f"{count} readings copied, 0 were there already.\n"
    with opened(data, load_settings(config, {})) as house:
        assert isinstance(house.readings, LineReadings)
        settle(forwarder(house.readings), victoria)
        assert sum(house.readings.backlog().values()) == 0
        after = house.readings.read_many(sensors, EVER)
        for key, curve in before.items():
            for name in ("at", "value", "mark"):
                assert getattr(after[key], name).tolist() == getattr(curve, name).tolist()
        assert house.book.report("old", NOW) == report
    assert run(told) == 0
    assert capsys.readouterr().out == f"0 readings copied, {count} were there already.\n"


def test_a_slip_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data, config = tmp_path / "data", tmp_path / "turnbell.toml"
    data.mkdir()
    assert run(["move-readings", "--data", str(data)]) == 2
    assert "[readings] url names no store" in capsys.readouterr().err
    config.write_text('[readings]\nurl = "victoria://127.0.0.1:9"\n')
    assert run(["move-readings", "--data", str(data), "--config", str(config)]) == 2
    assert "holds no readings.db" in capsys.readouterr().err
