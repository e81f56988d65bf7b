"""One sensor, one instant, one value."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntFlag
from math import isfinite
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from shared.times import Millis

Quantity = Literal["temperature", "oxygen", "moisture", "battery_percent", "battery_volt", "rssi"]
"""Units: °C, % by volume, % wet basis, %, V, dBm."""


class ArrivalMark(IntFlag):
    """What was wrong with a reading when it came in, apart from its neighbours. Stored beside the value."""

    NONE = 0
    STALE = 1  # a retained message: old news, of unknown age
    NO_TIME = 2  # the probe gave no time; the time of receipt stands in its place
    SENTINEL = 4  # a driver's word for "no value": -127, 127.94
    OUT_OF_RANGE = 8  # no compost pile reads this: under -55 or over 125 °C is outside the sensor's own range
    IMPORTED = 16  # came from a file
    BY_HAND = 32  # typed in by a person

    @property
    def excluded(self) -> bool:
        """Whether sums leave this reading out."""
        return bool(self & (ArrivalMark.STALE | ArrivalMark.SENTINEL | ArrivalMark.OUT_OF_RANGE))


class SensorKey(NamedTuple):
    """One depth of one probe of one site (or a probe-wide quantity, depth ``""``).

    A named tuple, as ``Reading`` is: both are made and looked up by the ten thousand. ``depth`` is canonical text: centimetres without trailing zeros (``45``, ``7.5``) or a level (``middle``).
    """

    site: str
    probe: str
    depth: str
    quantity: Quantity = "temperature"

    @property
    def depth_cm(self) -> float | None:
        try:
            return float(self.depth)
        except ValueError:
            return None


def canonical_depth(depth: float | str) -> str:
    """``45``, ``45.0`` and ``"45.00"`` are one sensor; a level such as ``Middle`` becomes ``middle``."""
    text = str(depth).strip().lower()
    try:
        number = float(text)
    except ValueError:
        return text
    if not isfinite(number):
        return text
    return f"{number:.3f}".rstrip("0").rstrip(".")


class Reading(NamedTuple):
    sensor: SensorKey
    at: Millis
    value: float
    received_at: Millis
    mark: ArrivalMark = ArrivalMark.NONE


def _no_times() -> NDArray[np.int64]:
    return np.empty(0, dtype=np.int64)


def _no_values() -> NDArray[np.float64]:
    return np.empty(0, dtype=np.float64)


def _no_marks() -> NDArray[np.uint8]:
    return np.empty(0, dtype=np.uint8)


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """The stored readings of one sensor, ascending in time, no instant twice.

    Shapes: three arrays of the same length n; ``at`` int64 ms, ``value`` float64 (raw), ``mark`` uint8 (ArrivalMark).
    """

    at: NDArray[np.int64] = field(default_factory=_no_times)
    value: NDArray[np.float64] = field(default_factory=_no_values)
    mark: NDArray[np.uint8] = field(default_factory=_no_marks)

    def __len__(self) -> int:
        return len(self.at)
