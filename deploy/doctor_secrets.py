"""Which files with secrets everyone on this machine can read."""

from __future__ import annotations

import os
import stat
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

from deploy.registry_key import KEY_FILE
from shared.settings_read import PREFIX
from shared.stores import READINGS_FILE, REGISTRY_FILE


def open_secrets(
    config_file: Path | None, data_dir: Path, environment: Mapping[str, str] | None = None
) -> Iterator[tuple[bool, str]]:
    """(open to everyone, in words) for every file that holds a secret; one line for all that are well kept."""
    files = [*_named(config_file, os.environ if environment is None else environment), *_kept(data_dir)]
    bad = [file for file in files if is_open(file)]
    for file in bad:
        yield True, f"{file} can be read by everyone on this machine: chmod 640 it"
    if files and not bad:
        yield False, f"{', '.join(file.name for file in files)}: not open to everyone"


def is_open(file: Path) -> bool:
    """Whether others may read it and pass through every folder on the way there."""
    try:
        return bool(file.stat().st_mode & stat.S_IROTH) and way_is_open(file)
    except OSError:
        return False


def way_is_open(file: Path) -> bool:
    return all(folder.stat().st_mode & stat.S_IXOTH for folder in file.resolve().parents)


def _named(config_file: Path | None, environment: Mapping[str, str]) -> Iterator[Path]:
    """The configuration itself, and the files that it or the environment names for secrets."""
    if config_file is not None and config_file.is_file():
        yield config_file
        sections = tomllib.loads(config_file.read_text("utf-8")).values()
        for section in (one for one in sections if isinstance(one, dict)):
            yield from (Path(str(value)) for key, value in section.items() if _names_a_secret(key))
    for name, value in environment.items():
        if name.startswith(PREFIX) and _names_a_secret(name.lower()):
            yield Path(value)


def _names_a_secret(key: str) -> bool:
    return key.endswith("_file")


def _kept(data_dir: Path) -> Iterator[Path]:
    """Digests of tokens, sealed secrets and their key, the broker's passwords."""
    for name in (REGISTRY_FILE, READINGS_FILE, KEY_FILE, "broker/passwords"):
        file = data_dir / name
        if file.is_file():
            yield file
