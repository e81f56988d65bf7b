"""Reading curves from the embedded store: one sensor, or many in one walk over the stretches of time."""

from __future__ import annotations

import json
import sqlite3
from array import array
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from shared.readings import Curve, SensorKey
from shared.stores.readings_schema import SLOT_MS, STRETCHES
from shared.times import Span

AT_ONCE = 48
"""Sensors in one walk. Measured with three sensors a probe at 30 min: 30 at once take half the time of one by one."""

MARK_BITS = 8
"""An instant and its mark cross over from SQLite as one number: to make a Python object costs more than to find a row."""

_SERIES = "SELECT id, first_at, last_at FROM series WHERE site=? AND probe=? AND quantity=? AND depth=? AND count > 0"
_CURVE = f"""
WITH RECURSIVE {STRETCHES}
SELECT r.at << {MARK_BITS} | r.mark, r.value FROM stretch CROSS JOIN readings r ON r.slot = stretch.slot
WHERE r.series = :series AND r.at >= :start AND r.at < :end
"""  # noqa: S608  # a constant
_CURVES = f"""
WITH RECURSIVE {STRETCHES}
SELECT r.at << {MARK_BITS} | r.mark, r.value, r.series FROM stretch CROSS JOIN readings r ON r.slot = stretch.slot
WHERE r.series IN (SELECT value FROM json_each(:series)) AND r.at >= :start AND r.at < :end
"""  # noqa: S608  # a constant


def curves(
    connection: sqlite3.Connection, sensors: Iterable[SensorKey], span: Span
) -> dict[SensorKey, Curve]:
    """Ascending; an unknown sensor gives an empty curve."""
    found: dict[SensorKey, Curve] = {}
    ids: dict[int, tuple[SensorKey, int, int]] = {}
    for sensor in sensors:
        found[sensor] = Curve()
        asked = (sensor.site, sensor.probe, sensor.quantity, sensor.depth)
        row = connection.execute(_SERIES, asked).fetchone()
        if row is not None:
            start = max(span.start, row[1])
            end = row[2] + 1 if span.end is None else min(span.end, row[2] + 1)
            if start < end:
                ids[row[0]] = sensor, start, end
    asked_ids = sorted(ids)
    for low in range(0, len(asked_ids), AT_ONCE):
        some = asked_ids[low : low + AT_ONCE]
        for series, curve in _walk(connection, some, [ids[one][1:] for one in some]).items():
            found[ids[series][0]] = curve
    return found


def _walk(
    connection: sqlite3.Connection, series: Sequence[int], reach: Sequence[tuple[int, int]]
) -> dict[int, Curve]:
    start, end = min(low for low, _ in reach), max(high for _, high in reach)
    bounds = {"start": start, "end": end, "first": start // SLOT_MS, "last": (end - 1) // SLOT_MS}
    if len(series) == 1:
        return {series[0]: _columns(connection.execute(_CURVE, bounds | {"series": series[0]}))[0]}
    curve, owner = _columns(connection.execute(_CURVES, bounds | {"series": json.dumps(series)}))
    order = np.argsort(owner, kind="stable")  # within a sensor the walk is ascending already
    edges = np.searchsorted(owner[order], series)
    pieces = np.split(order, edges[1:])
    return {
        one: Curve(curve.at[piece], curve.value[piece], curve.mark[piece])
        for one, piece in zip(series, pieces, strict=True)
    }


def _columns(cursor: sqlite3.Cursor) -> tuple[Curve, NDArray[np.int64]]:
    """Piecewise, so that few row tuples live at a time: the garbage collector walks over all that do."""
    marked, value, owner = array("q"), array("d"), array("q")
    while rows := cursor.fetchmany(512):
        some_marked, some_values, *some_owners = zip(*rows, strict=True)
        marked.extend(some_marked)
        value.extend(some_values)
        for owners in some_owners:
            owner.extend(owners)
    at_and_mark = np.array(marked, dtype=np.int64)
    at, mark = at_and_mark >> MARK_BITS, at_and_mark & (1 << MARK_BITS) - 1
    curve = Curve(at, np.array(value, dtype=np.float64), mark.astype(np.uint8))
    return curve, np.array(owner, dtype=np.int64)
