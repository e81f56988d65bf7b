"""The backup of each night in the folder that [keeping] backup_to names; the older ones go."""

from __future__ import annotations

import re
from pathlib import Path

from deploy.backup import backup
from deploy.errors import SurroundingsError, UserError
from deploy.house import House
from shared.times import iso

MADE_AT = "backup.made_at"
TROUBLE = "backup.trouble"
_NAME = re.compile(r"turnbell-\d{4}-\d\d-\d\d\.backup")


def nightly_backup(house: House) -> Path | None:
    """Gives the day's file, made now unless it is there; None where none is asked for. How it went is noted for
    `turnbell check`. Raises UserError and SurroundingsError as ``backup`` does."""
    folder, memory = house.settings.keeping.backup_to, house.registry.memory
    if folder is None:
        return None
    now = house.clock.now()
    file = folder / f"turnbell-{iso(now)[:10]}.backup"
    try:
        if not file.exists():
            backup(house.data_dir, file, house.settings)
        kept = sorted(one for one in folder.iterdir() if _NAME.fullmatch(one.name))
        for old in kept[: -house.settings.keeping.backups_kept]:
            old.unlink()
    except OSError as error:
        memory.set(TROUBLE, f"{folder}: {error.strerror}")
        raise SurroundingsError(f"{folder}: {error.strerror}") from error
    except (UserError, SurroundingsError) as error:
        memory.set(TROUBLE, str(error))
        raise
    memory.set(TROUBLE, "")
    memory.set(MADE_AT, str(now))
    return file
