"""A batch as plain numbers, and the tally of its repeats."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from shared.ports import StorageError
from shared.readings import Reading, SensorKey


class Row(NamedTuple):
    sensor: SensorKey
    at: int
    value: float
    mark: int
    received_at: int


def checked(batch: Sequence[Reading]) -> list[Row]:
    """Raise StorageError at the first that is no number, before anything is written."""
    rows = []
    for reading in batch:
        value = float(reading.value)
        if not math.isfinite(value):
            raise StorageError(f"{value} is no reading ({reading.sensor}); nothing of this batch was stored")
        rows.append(Row(reading.sensor, int(reading.at), value, int(reading.mark), int(reading.received_at)))
    return rows


def tally(
    row: Row, stored: float, repeats: Counter[tuple[str, str]], differing: Counter[tuple[str, str]]
) -> None:
    which = repeats if row.value == stored else differing
    which[row.sensor.site, row.sensor.probe] += 1
