"""The tables of the embedded readings store, and the steps that bring an older file here.

``readings`` is clustered by stretch of time first and by sensor within it: whatever arrives now lands in the few pages
of the present stretch, however many sensors there are and however long the past is, while one sensor's past is still
one seek per stretch. ``arrivals`` is the log of what changed, one row per committed batch. ``thinned`` says which stretches were thinned to
buckets of what length, how many readings went, and of which pile ('' = of none).
"""

from __future__ import annotations

import logging
import sqlite3

from shared.ports import StorageError
from shared.stores.sqlite_files import READINGS_ID, transaction

log = logging.getLogger(__name__)

SLOT_MS = 2 * 3600 * 1000
"""Measured at 60 000 sensors and 50 million rows, hours against pairs of them: a row more costs a tenth more processor
(more pages are warm at a time; six hours halved the pace), one sensor's 180 days cost a sixth less. Part of the file
format: another length is another step that builds the table anew."""

STRIDE = 6
"""Slots that are taken without looking whether they hold anything. Measured over 180 full days among 50 million rows: a
look for each costs a tenth of the whole reading; where a day holds one reading, five empty slots cost less than that."""

STRETCHES = f"""stretch(slot) AS (
    SELECT min(slot) FROM readings WHERE slot >= :first
    UNION ALL
    SELECT CASE
        WHEN (slot + 1) % {STRIDE} THEN slot + 1
        ELSE (SELECT min(slot) FROM readings WHERE slot > stretch.slot)
    END FROM stretch WHERE slot < :last
)"""  # noqa: S608  # a constant
"""For WITH RECURSIVE: the slots from :first to :last (and perhaps the next one) that hold anything, and a few that do
not. A single reading of a clock that began in 2000 then costs a few steps, not one for each hour since."""

_FIRST = """
CREATE TABLE readings (
    slot INTEGER NOT NULL,
    series INTEGER NOT NULL,
    at INTEGER NOT NULL,
    value REAL NOT NULL,
    mark INTEGER NOT NULL,
    received_at INTEGER NOT NULL,
    PRIMARY KEY (slot, series, at)
) WITHOUT ROWID;
CREATE TABLE series (
    id INTEGER PRIMARY KEY,
    site TEXT NOT NULL,
    probe TEXT NOT NULL,
    quantity TEXT NOT NULL,
    depth TEXT NOT NULL,
    first_at INTEGER,
    last_at INTEGER,
    last_value REAL,
    count INTEGER NOT NULL DEFAULT 0,
    UNIQUE (site, probe, quantity, depth)
);
CREATE TABLE arrivals (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    received_at INTEGER NOT NULL,
    earliest BLOB NOT NULL
);
CREATE TABLE counters (name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
INSERT INTO counters VALUES ('arrivals_pruned_to', 0), ('pulse', 0);
"""

_THINNED = """
CREATE TABLE thinned (
    series INTEGER NOT NULL,
    pile TEXT NOT NULL,
    bucket_ms INTEGER NOT NULL,
    start_at INTEGER NOT NULL,
    end_at INTEGER NOT NULL,
    gone INTEGER NOT NULL,
    PRIMARY KEY (series, pile, bucket_ms, start_at)
) WITHOUT ROWID;
"""

_TWO_HOURS = """
ALTER TABLE readings RENAME TO hourly;
CREATE TABLE readings (
    slot INTEGER NOT NULL,
    series INTEGER NOT NULL,
    at INTEGER NOT NULL,
    value REAL NOT NULL,
    mark INTEGER NOT NULL,
    received_at INTEGER NOT NULL,
    PRIMARY KEY (slot, series, at)
) WITHOUT ROWID;
INSERT INTO readings SELECT slot >> 1, series, at, value, mark, received_at FROM hourly;
DROP TABLE hourly;
"""

STEPS = (_FIRST, _THINNED, _TWO_HOURS)
"""Step n leads from user_version n to n + 1. Never change one that was released: add another."""


def migrate(connection: sqlite3.Connection) -> None:
    """Raise StorageError, with nothing changed, when the file is newer than this program."""
    found = _version(connection)
    if found == len(STEPS):
        return
    if found:
        log.info(
            "the tables of the readings are brought from version %d to %d: minutes, when there are millions",
            found,
            len(STEPS),
        )
    with transaction(connection, "BEGIN IMMEDIATE"):
        for number in range(_version(connection), len(STEPS)):
            for statement in filter(str.strip, STEPS[number].split(";")):
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version={len(STEPS)}")
        connection.execute(f"PRAGMA application_id={READINGS_ID}")


def _version(connection: sqlite3.Connection) -> int:
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > len(STEPS):
        raise StorageError(
            f"the readings are of a newer version of this program (their tables are at {version}, this one knows "
            f"{len(STEPS)}); nothing was changed: install that version, or restore a backup made with this one"
        )
    return version
