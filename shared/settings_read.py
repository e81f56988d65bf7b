"""One frozen Settings from a TOML file and the environment.

``TURNBELL_SECTION_KEY`` overrides ``[section] key``; ``TURNBELL_SECTION_KEY_FILE`` (or ``key_file`` in the TOML) names
a file that holds the value, for secrets.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from shared.settings import Settings, SettingsError

PREFIX = "TURNBELL_"


def load_settings(file: Path | None = None, environment: Mapping[str, str] | None = None) -> Settings:
    """Read ``file`` (if any), lay the environment over it, check all; raise SettingsError."""
    raw = _read_toml(file) if file else {}
    for section in raw.values():
        if isinstance(section, dict):
            _resolve_files(section)
    for name, text in (os.environ if environment is None else environment).items():
        _override(raw, name, text)
    try:
        return Settings.model_validate(raw)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise SettingsError(where, str(first["msg"])) from None


def _read_toml(file: Path) -> dict[str, Any]:
    try:
        with file.open("rb") as handle:
            return tomllib.load(handle)
    except OSError as error:
        raise SettingsError("config", f"cannot read {file}: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError("config", f"{file} is not TOML: {error}") from error
    except RecursionError:
        raise SettingsError("config", f"{file} is nested too deeply") from None


def _resolve_files(section: dict[str, Any]) -> None:
    for key in [key for key in section if key.endswith("_file")]:
        section[key.removesuffix("_file")] = _read_secret(key, Path(str(section.pop(key))))


def _override(raw: dict[str, Any], name: str, text: str) -> None:
    if not name.startswith(PREFIX):
        return
    name = name.removeprefix(PREFIX).lower()
    # the longest section name first: quiet_hours_from is [quiet_hours] from
    for section in sorted(Settings.model_fields, key=len, reverse=True):
        if name.startswith(f"{section}_") and section != "decoders":
            key = name.removeprefix(f"{section}_")
            if key.endswith("_file"):
                key, text = key.removesuffix("_file"), _read_secret(name, Path(text))
            part = raw.setdefault(section, {})
            if not isinstance(part, dict):
                raise SettingsError(section, "must be a table")
            part[key] = text
            return
    raise SettingsError(f"{PREFIX}{name.upper()}", "no setting of that name")


def _read_secret(name: str, file: Path) -> str:
    try:
        return file.read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(name, f"cannot read the secret file {file}") from error
