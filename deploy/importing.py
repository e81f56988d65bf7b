"""`turnbell import`: the same steps as the page's, for a file of any size."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from deploy.errors import UserError
from shared.audit import COMMAND_LINE
from shared.import_preview import as_one_probe
from shared.imports import ImportRecord, ImportRefused, find_import, run_import, start_import, undo_import
from shared.piles import Pile
from shared.ports import NotFound, ReadingsStore, Registry
from shared.reading_files import ReadingsFile, read_readings
from shared.times import Millis, iso


def find_pile(registry: Registry, wanted: str) -> Pile:
    """By id, or by peg where that names one open pile; raise UserError."""
    try:
        return registry.piles.get(wanted)
    except NotFound:
        same_peg = [pile for pile in registry.piles.all() if pile.peg == wanted]
        opened = [pile for pile in same_peg if pile.finished_at is None] or same_peg
        if len(opened) == 1:
            return opened[0]
        if opened:
            ids = ", ".join(f"{pile.id} ({pile.site}, built {iso(pile.built_at)})" for pile in opened)
            raise UserError(f"several piles are called {wanted}; name one by its id: {ids}") from None
        raise UserError(f"there is no pile {wanted}") from None


def read_file(
    file: Path, pile: Pile, *, zone: str | None, probe: str | None = None,
    progress: Callable[[int], None] | None = None,
) -> ReadingsFile:  # fmt: skip
    read = read_readings(file, zone=zone, site=pile.site, progress=progress)
    return read if probe is None else as_one_probe(read, probe)


def import_file(
    registry: Registry,
    store: ReadingsStore,
    file: Path,
    pile: Pile,
    *,
    zone: str | None,
    now: Millis,
    probe: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> ImportRecord:
    """Store what ``file`` holds and place its probes in ``pile`` for the time they cover.

    The same file twice stores nothing twice. Raises FileError, UserError, StorageError; what was stored stays, and can
    be undone.
    """
    read = read_file(file, pile, zone=zone, probe=probe)
    try:
        record = start_import(registry, store, read, pile, name=file.name, by=COMMAND_LINE, now=now)
    except ImportRefused as error:
        raise UserError(str(error)) from error
    return run_import(registry, store, read, record, progress)


def take_back(registry: Registry, store: ReadingsStore, import_id: str) -> int:
    """How many readings were taken back."""
    try:
        record = find_import(registry, import_id)
    except NotFound as error:
        raise UserError(str(error)) from error
    if record.state == "undone":
        raise UserError(f"import {import_id} was undone before")
    return undo_import(registry, store, record)
