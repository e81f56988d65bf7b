"""Thinning in the embedded store: rows go, and the file remembers which stretch was thinned to what, and for which pile."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.readings import SensorKey
from shared.stores import arrivals_log
from shared.stores.readings_schema import SLOT_MS
from shared.times import Millis, Span

_TOUCHING = """
DELETE FROM thinned WHERE series = :series AND pile = :pile AND bucket_ms = :bucket_ms
    AND start_at <= :end AND end_at >= :start RETURNING start_at, end_at, gone
"""


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """``gone``: the instants within ``span`` whose readings are to go; ``pile``: whose they were, "" = nobody's."""

    sensor: SensorKey
    span: Span
    pile: str
    bucket_ms: int
    gone: NDArray[np.int64]


def thin(connection: sqlite3.Connection, pieces: Sequence[Piece]) -> int:
    """Within the caller's transaction: all of these; gives how many readings went."""
    total = 0
    earliest: dict[int, int] = {}
    for piece in pieces:
        key = piece.sensor
        series = connection.execute(
            "SELECT id FROM series WHERE site = ? AND probe = ? AND depth = ? AND quantity = ?",
            (key.site, key.probe, key.depth, key.quantity),
        ).fetchone()[0]
        rows = [(at // SLOT_MS, series, at) for at in piece.gone.tolist()]
        went = 0
        if rows:
            went = connection.executemany(
                "DELETE FROM readings WHERE slot = ? AND series = ? AND at = ?", rows
            ).rowcount
            connection.execute("UPDATE series SET count = count - ? WHERE id = ?", (went, series))
            earliest[series] = min(rows[0][2], earliest.get(series, rows[0][2]))
        _note(connection, series, piece, went)
        total += went
    if earliest:
        newest = connection.execute("SELECT max(received_at) FROM arrivals").fetchone()[0] or 0
        arrivals_log.write(connection, earliest, newest)
    return total


def _note(connection: sqlite3.Connection, series: int, piece: Piece, went: int) -> None:
    row = {
        "series": series, "pile": piece.pile, "bucket_ms": piece.bucket_ms,
        "start": piece.span.start, "end": piece.span.end,
    }  # fmt: skip
    touching = connection.execute(_TOUCHING, row).fetchall()
    row["start"] = min([piece.span.start, *(start for start, _, _ in touching)])
    row["end"] = max([piece.span.end or 0, *(end for _, end, _ in touching)])
    row["gone"] = went + sum(gone for _, _, gone in touching)
    connection.execute(
        "INSERT INTO thinned VALUES (:series, :pile, :bucket_ms, :start, :end, :gone)",
        row,
    )


def stretches(connection: sqlite3.Connection, at_least_ms: int) -> dict[SensorKey, list[Span]]:
    """What is thinned to buckets of ``at_least_ms`` or longer, by sensor, each list ascending."""
    found: dict[SensorKey, list[Span]] = {}
    for *key, start, end in connection.execute(
        "SELECT s.site, s.probe, s.depth, s.quantity, t.start_at, t.end_at FROM thinned t JOIN series s ON s.id = t.series "
        "WHERE t.bucket_ms >= ? ORDER BY t.start_at",
        (at_least_ms,),
    ):
        found.setdefault(SensorKey(*key), []).append(Span(Millis(start), Millis(end)))
    return found


def by_pile(connection: sqlite3.Connection) -> dict[str, int]:
    rows = connection.execute("SELECT pile, sum(gone) FROM thinned WHERE pile <> '' GROUP BY pile")
    return {pile: gone for pile, gone in rows if gone}
