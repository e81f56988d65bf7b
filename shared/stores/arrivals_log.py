"""The log of arrivals: which sensors changed in which batch, and from what instant on."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

KEEP_BATCHES = 100_000
KEEP_MS = 14 * 24 * 3600 * 1000
PRUNE_EVERY = 256

ENTRY = np.dtype([("series", "<u4"), ("at", "<i8")])


def write(connection: sqlite3.Connection, earliest: Mapping[int, int], received_at: int) -> None:
    """Within the caller's transaction: one row, and now and then the oldest ones go."""
    entries = np.array(list(earliest.items()), dtype=ENTRY)
    row = (received_at, entries.tobytes())
    seq = connection.execute("INSERT INTO arrivals (received_at, earliest) VALUES (?, ?)", row).lastrowid or 0
    if seq % PRUNE_EVERY == 0:
        prune(connection, seq - KEEP_BATCHES, received_at - KEEP_MS)


def prune(connection: sqlite3.Connection, before_seq: int, received_before: int) -> None:
    """Forget the rows up to ``before_seq``, and those before the first that came in at ``received_before`` or later."""
    kept = connection.execute(
        "SELECT min(seq) FROM arrivals WHERE received_at >= ?", (received_before,)
    ).fetchone()[0]
    to = max(before_seq, (kept or 0) - 1)
    connection.execute("DELETE FROM arrivals WHERE seq <= ?", (to,))
    connection.execute("UPDATE counters SET value = max(value, ?) WHERE name = 'arrivals_pruned_to'", (to,))


def reach(connection: sqlite3.Connection) -> tuple[int, int]:
    """Cursors the log can answer: from the first to the second, both included."""
    pruned_to = connection.execute("SELECT value FROM counters WHERE name = 'arrivals_pruned_to'").fetchone()[
        0
    ]
    newest = connection.execute("SELECT max(seq) FROM arrivals").fetchone()[0]
    return pruned_to, max(newest or 0, pruned_to)


def since(connection: sqlite3.Connection, cursor: int) -> dict[int, int]:
    """Series id to its earliest changed instant, over all batches after ``cursor``."""
    blobs = connection.execute("SELECT earliest FROM arrivals WHERE seq > ?", (cursor,)).fetchall()
    return earliest_of([blob for (blob,) in blobs])


def earliest_of(blobs: Sequence[bytes]) -> dict[int, int]:
    """The entries of several batches as one: series id to its earliest instant."""
    if not blobs:
        return {}
    entries: NDArray[np.void] = np.frombuffer(b"".join(blobs), dtype=ENTRY)
    ids, where = np.unique(entries["series"], return_inverse=True)
    earliest = np.full(len(ids), np.iinfo(np.int64).max, dtype=np.int64)
    np.minimum.at(earliest, where, entries["at"])
    return dict(zip(ids.tolist(), earliest.tolist(), strict=True))
