"""Secrets that lie about."""

from __future__ import annotations

from pathlib import Path

import pytest

from deploy import doctor_secrets
from deploy.doctor_secrets import is_open, open_secrets


def test_files_that_everyone_can_read_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        doctor_secrets, "way_is_open", lambda _file: True
    )  # the folders above the test are shut
    config, secret, other, data = (
        tmp_path / name for name in ("turnbell.toml", "smtp.txt", "hook.txt", "yard")
    )
    data.mkdir()
    registry = data / "registry.db"
    config.write_text(f'[email]\npassword_file = "{secret}"\n', "utf-8")
    for file in (secret, other, registry):
        file.write_text("hush", "utf-8")
    environment = {
        "TURNBELL_MQTT_PASSWORD_FILE": str(other),
        "TURNBELL_MQTT_PORT": "1883",
        "HOME": str(tmp_path),
    }
    for file in (config, secret, other, registry):
        file.chmod(0o644)
    told = list(open_secrets(config, data, environment))
    assert [open_ for open_, _ in told] == [True] * 4
    assert all(any(str(file) in text for _, text in told) for file in (config, secret, other, registry))
    for file in (config, secret, other, registry):
        file.chmod(0o640)
    told = list(open_secrets(config, data, environment))
    assert [open_ for open_, _ in told] == [False]
    assert "hush" not in told[0][1]


def test_a_file_in_a_shut_folder_is_shut(tmp_path: Path) -> None:
    shut = tmp_path / "shut"
    shut.mkdir(mode=0o700)
    file = shut / "registry.db"
    file.write_bytes(b"")
    file.chmod(0o644)
    assert not is_open(file)
    assert not is_open(shut / "nowhere")
