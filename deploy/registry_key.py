"""The key that seals the secrets in the registry: from the configuration, else a file in the data directory."""

from __future__ import annotations

import os
import secrets
import tempfile
from pathlib import Path

from deploy.errors import SurroundingsError, UserError
from shared.settings import Settings

KEY_FILE = "secret.key"


class LostKey(UserError):
    """The registry is sealed, and with another key than the one that is here, if any."""


def registry_key(data_dir: Path, settings: Settings, sealed: bool) -> str | None:
    """None = the secrets are kept as they are: a registry elsewhere, to which nobody gave a key.

    The first opening of an embedded registry makes a key. One that several machines share gets none by itself, for
    each would make its own. ``sealed``: the registry is in use with a key; LostKey when that is not here.
    """
    if settings.registry.key is not None:
        return settings.registry.key.get_secret_value()
    file = data_dir / KEY_FILE
    try:
        if not file.exists():
            if sealed:
                raise LostKey(
                    f"the secrets in the registry are sealed and their key is not here: put it back as {file}, or set "
                    "[registry] key_file; if it is lost, `turnbell forget-secrets` gives them up"
                )
            if settings.registry.url:
                return None
            _make(file)
        key = file.read_text("utf-8").strip()
    except OSError as error:
        raise SurroundingsError(f"cannot use {file}: {error.strerror}") from error
    except UnicodeDecodeError:
        key = ""
    if not key:
        raise SurroundingsError(f"{file} holds no key; put back the one of a backup")
    return key


def _make(file: Path) -> None:
    """Whole or not at all; of two processes that make it at once, both use the first one's."""
    handle, draft = tempfile.mkstemp(dir=file.parent, prefix=".key-")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as opened:
            opened.write(secrets.token_urlsafe(32) + "\n")
            opened.flush()
            os.fsync(opened.fileno())
        try:
            os.link(draft, file)
        except FileExistsError:
            return
        folder = os.open(file.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    finally:
        Path(draft).unlink()
