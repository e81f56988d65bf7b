"""What is done once a night: thin what [keeping] asks for, give disk back, back up."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from deploy.backups_kept import nightly_backup
from deploy.errors import SurroundingsError, UserError
from deploy.house import House
from deploy.thinning import thin
from shared.stores import READINGS_FILE, REGISTRY_FILE, SPOOL_FILE
from shared.stores.copying import is_file
from shared.stores.readings_sqlite import SqliteReadings
from shared.stores.vacuum import give_back
from shared.times import DAY, MINUTE, Millis

log = logging.getLogger(__name__)

DONE = "nightly.done"
PAUSE_S = 5.0
BREATH_S = 0.05
"""Between two short transactions, so that whoever waits to write has its turn."""


@dataclass(frozen=True)
class Night:
    """What was done; ``trouble`` says why there is no backup though one was asked for."""

    thinned: int
    given_back: int
    backup: Path | None
    trouble: str = ""


class NightlyLoop:
    """The Loop "nightly". A night that the service slept through is made up for at its start."""

    name = "nightly"

    def __init__(self, house: House) -> None:
        self._house = house

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        def go_on() -> bool:
            beat()
            return not stop.wait(BREATH_S)

        while not stop.is_set():
            self.step(go_on)
            beat()
            stop.wait(PAUSE_S)

    def step(self, go_on: Callable[[], bool]) -> bool:
        """True = a night's work was done now."""
        if (self._house.registry.memory.get(DONE) or "") >= _night_of(self._house):
            return False
        return do(self._house, go_on) is not None


def _night_of(house: House) -> str:
    """The number of the day (UTC) whose night has come."""
    at = house.settings.keeping.nightly_at
    return f"{Millis(house.clock.now() - (at.hour * 60 + at.minute) * MINUTE) // DAY:08d}"


def do(house: House, go_on: Callable[[], bool]) -> Night | None:
    """Now, whether or not it was done; None = it was told to stop before the end. StorageError passes through."""
    gone = 0
    if house.settings.keeping.levels and isinstance(house.readings, SqliteReadings):
        gone = thin(house, go_on=go_on).total
    given = sum(give_back(path, go_on) for path in sqlite_files(house))
    if not go_on():
        return None
    backup, trouble = None, ""
    try:
        backup = nightly_backup(house)
    except (UserError, SurroundingsError) as error:
        trouble = str(error)
        log.warning("loop=nightly event=no_backup error=%s", error)
    house.registry.memory.set(DONE, _night_of(house))
    log.info("loop=nightly event=done thinned=%s given_back_bytes=%s backup=%s", gone, given, backup)
    return Night(gone, given, backup, trouble)


def sqlite_files(house: House) -> list[Path]:
    """The files of this installation's stores that are on this machine."""
    settings, folder = house.settings, house.data_dir
    found = [folder / REGISTRY_FILE] if settings.registry.url is None else []
    if settings.readings.url is None:
        found.append(folder / READINGS_FILE)
    elif is_file(settings.readings.spool):
        found.append(Path(settings.readings.spool or folder / SPOOL_FILE))
    return [path for path in found if path.is_file()]
