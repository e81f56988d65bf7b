"""A reading as a line of the line protocol, and exactly back.

``value`` is for people's dashboards. A store may round it (VictoriaMetrics keeps decimal digits: 61.900000000000006
comes back as 61.9), so a value that needs more than twelve significant digits also carries its 64 bits as two whole
numbers, ``hi`` and ``lo``.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shared.readings import Curve, SensorKey
from shared.stores.line.address import MEASUREMENT

FIELDS = ("value", "mark", "hi", "lo")
_ESCAPES = str.maketrans({",": "\\,", "=": "\\=", " ": "\\ "})

PileOf = Callable[[SensorKey, int], str | None]
"""The pile in which a sensor stood at an instant."""


class Spooled(NamedTuple):
    """A row of the spool with its sensor."""

    sensor: SensorKey
    series: int
    at: int
    value: float
    mark: int
    tries: int = 0


def no_pile(_sensor: SensorKey, _at: int) -> str | None:
    return None


def lines(rows: Iterable[Spooled], pile_of: PileOf = no_pile, measurement: str = MEASUREMENT) -> bytes:
    """One line a row, timestamps in ms."""
    return "\n".join(_line(row, pile_of(row.sensor, row.at), measurement) for row in rows).encode()


def _line(row: Spooled, pile: str | None, measurement: str) -> str:
    sensor = row.sensor
    tags = {"site": sensor.site, "probe": sensor.probe, "depth": sensor.depth, "quantity": sensor.quantity}
    if pile:
        tags["pile"] = pile
    words = [measurement, *(f"{name}={text.translate(_ESCAPES)}" for name, text in tags.items() if text)]
    return f"{','.join(words)} value={row.value!r},mark={row.mark}i{_bits(row.value)} {row.at}"


def _bits(value: float) -> str:
    if float(f"{value:.12g}") == value:
        return ""
    high, low = struct.unpack(">II", struct.pack(">d", value))
    return f",hi={high}i,lo={low}i"


def exact(high: NDArray[np.int64], low: NDArray[np.int64]) -> NDArray[np.float64]:
    """float64, shape (n,), from the two halves of its bits."""
    bits = (high.astype(np.uint64) << np.uint64(32)) | low.astype(np.uint64)
    return bits.view(np.float64)


def curve_of(at: NDArray[np.int64], value: NDArray[np.float64], mark: NDArray[np.uint8]) -> Curve:
    """Ascending, each instant once. A line sent twice is one reading; of two values at one instant (two ingesters that
    were told differently within a second) the greater stays, as the store's own deduplication has it."""
    order = np.lexsort((-value, at))
    at, value, mark = at[order], value[order], mark[order]
    first = np.ones(len(at), dtype=bool)
    first[1:] = at[1:] != at[:-1]
    return Curve(at[first], value[first], mark[first])


def merged(far: Curve, near: Curve, gone: NDArray[np.int64]) -> Curve:
    """What the far store has, less ``gone``, and over it what the spool has."""
    if len(far):
        keep = ~np.isin(far.at, np.concatenate([gone, near.at]))
        far = Curve(far.at[keep], far.value[keep], far.mark[keep])
    if not len(far):
        return near
    at = np.concatenate([far.at, near.at])
    order = np.argsort(at, kind="stable")
    return Curve(
        at[order],
        np.concatenate([far.value, near.value])[order],
        np.concatenate([far.mark, near.mark])[order],
    )
