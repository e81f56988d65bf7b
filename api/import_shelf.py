"""Files that wait for a yes, and the imports that run meanwhile."""

from __future__ import annotations

import hashlib
import logging
import re
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

from api.parts import Parts
from shared.ids import new_id
from shared.import_preview import as_one_probe
from shared.imports import ImportRecord, run_import, start_import
from shared.piles import Pile
from shared.ports import Registry, StorageError
from shared.times import Millis

if TYPE_CHECKING:
    from shared.reading_files import ReadingsFile

log = logging.getLogger(__name__)
KEPT_S = 24 * 3600
_NAME = re.compile(r"[0-9A-Za-z]{1,40}")


class ImportShelf:
    """Files lie in the data directory for a day at most. Safe for several threads."""

    def __init__(self, parts: Parts) -> None:
        self._parts, self._folder = parts, parts.data_dir / "uploads"
        self._running: dict[str, threading.Thread] = {}

    def keep(self, raw: bytes, pile: Pile, now: Millis) -> str:
        """The name by which to ask for it again, for this pile alone."""
        self._folder.mkdir(parents=True, exist_ok=True)
        for old in self._folder.glob("*.csv"):
            if old.stat().st_mtime < time.time() - KEPT_S:
                old.unlink(missing_ok=True)
        name = re.sub(r"[^0-9A-Za-z]", "", new_id(now))
        self._path(name, pile).write_bytes(raw)
        return name

    def read(self, name: str, pile: Pile, zone: str, probe: str) -> ReadingsFile | None:
        """None when it is not here any more. Raises FileError."""
        from shared.reading_files import read_readings  # noqa: PLC0415  # pandas: a sixth of the service's start

        file = self._file(name, pile)
        if file is None:
            return None
        read = read_readings(file, zone=zone, site=pile.site)
        return as_one_probe(read, probe) if probe else read

    def drop(self, name: str, pile: Pile) -> None:
        if (file := self._file(name, pile)) is not None:
            file.unlink(missing_ok=True)

    def start(
        self, registry: Registry, name: str, read: ReadingsFile, pile: Pile, shown: str, by: str, now: Millis
    ) -> ImportRecord:
        """Raises ImportRefused. ``registry``: the caller's; the rest goes on by itself, the record tells how far it is."""
        record = start_import(registry, self._parts.readings, read, pile, name=shown, by=by, now=now)
        runner = threading.Thread(
            target=self._run, args=(name, read, pile, record), name=f"import {record.id}", daemon=True
        )
        self._running[record.id] = runner
        runner.start()
        return record

    def is_running(self, import_id: str) -> bool:
        runner = self._running.get(import_id)
        return runner is not None and runner.is_alive()

    def wait(self, import_id: str, seconds: float) -> None:
        runner = self._running.get(import_id)
        if runner is not None:
            runner.join(seconds)

    def _run(self, name: str, read: ReadingsFile, pile: Pile, record: ImportRecord) -> None:
        try:
            run_import(self._parts.registry, self._parts.readings, read, record)
        except StorageError as error:
            log.warning("event=import_cut_off import=%s error=%s", record.id, error)
        else:
            self.drop(name, pile)
        finally:
            self._running.pop(record.id, None)

    def _file(self, name: str, pile: Pile) -> Path | None:
        if not _NAME.fullmatch(name):
            return None
        file = self._path(name, pile)
        return file if file.is_file() else None

    def _path(self, name: str, pile: Pile) -> Path:
        whose = hashlib.sha256(pile.id.encode()).hexdigest()[:16]
        return self._folder / f"{whose}-{name}.csv"
