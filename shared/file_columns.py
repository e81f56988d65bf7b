"""The value columns of a readings table: whose each cell is, and its number."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shared.file_layout import Layout, ValueColumn
from shared.readings import SensorKey, canonical_depth


@dataclass(frozen=True, slots=True)
class Column:
    sensors: list[SensorKey]
    codes: NDArray[np.intp]  # which of them each row is
    celsius: NDArray[np.float64]  # nan = no number
    empty: NDArray[np.bool_]  # nothing in the cell at all


def column_of(table: pd.DataFrame, layout: Layout, value: ValueColumn, site: str) -> Column:
    celsius, empty = _numbers(table[value.column], layout.delimiter != ",")
    if value.units == "fahrenheit":
        celsius = (celsius - 32.0) / 1.8
    if layout.shape == "wide":
        sensors = [SensorKey(site, value.probe, value.depth)]
        return Column(sensors, np.zeros(len(table), dtype=np.intp), celsius, empty)
    where = [name for name in (layout.probe, layout.depth or layout.level) if name is not None]
    if not where:
        return Column([SensorKey(site, "probe", "")], np.zeros(len(table), dtype=np.intp), celsius, empty)
    codes, pairs = _sensor_codes(table, where)
    keys = [
        SensorKey(
            site,
            pair[0].strip() or "probe" if layout.probe else "probe",
            canonical_depth(pair[-1]) if layout.depth or layout.level else "",
        )
        for pair in pairs
    ]
    sensors = list(dict.fromkeys(keys))  # "45" and "45.0" are one
    same = np.array([sensors.index(key) for key in keys], dtype=np.intp)
    return Column(sensors, same[codes], celsius, np.zeros(len(table), dtype=bool))


def _sensor_codes(table: pd.DataFrame, where: list[str]) -> tuple[NDArray[np.intp], list[tuple[str, ...]]]:
    first, probes = pd.factorize(table[where[0]])
    if len(where) == 1:
        return first, [(str(probe),) for probe in probes]
    second, depths = pd.factorize(table[where[1]])
    codes, pairs = pd.factorize(first * len(depths) + second)
    there = [divmod(int(pair), len(depths)) for pair in pairs]
    return codes, [(str(probes[probe]), str(depths[depth])) for probe, depth in there]


def _numbers(cells: pd.Series[Any], decimal_comma: bool) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    if cells.dtype == bool:
        return np.full(len(cells), np.nan), np.zeros(len(cells), dtype=bool)
    if pd.api.types.is_numeric_dtype(cells):
        empty = np.zeros(len(cells), dtype=bool)
        numbers = cells.to_numpy(dtype=np.float64, copy=True)
    else:
        texts = cells.astype(str).str.strip()
        empty = (texts == "").to_numpy(dtype=bool)
        if decimal_comma:
            texts = texts.str.replace(r"^([+-]?\d+),(\d+)$", r"\1.\2", regex=True)
        numbers = np.array(pd.to_numeric(texts, errors="coerce"), dtype=np.float64)
    numbers[~np.isfinite(numbers)] = np.nan
    return numbers, empty
