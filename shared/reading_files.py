"""Readings and turns from CSV files, as the contract has them: long or wide, °C or °F, any order, faults counted."""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shared.file_columns import Column, column_of
from shared.file_layout import DECIMAL_COMMA, TIME_NAMES, FileError, Layout, first_line, layout_of
from shared.file_times import BadTime, instants
from shared.readings import ArrivalMark, Curve, SensorKey
from shared.times import Millis, TimeError, parse_time, zone_of
from shared.units import Units

CHUNK_ROWS = 200_000
FILE_SITE = "file"
Progress = Callable[[int], None]
"""Told how many rows have been read so far."""


@dataclass(frozen=True, slots=True)
class ReadingsFile:
    """``curves``: faults are in them as NaN. ``faults``: cells that hold no number, per sensor; ``repeats``/``differing``: rows of an instant that was there
    before (the first stays), with the same value and with another."""

    file: Path
    curves: Mapping[SensorKey, Curve]
    rows: int
    units: Units
    sha256: str
    delimiter: str = ","
    wide: bool = False  # each sensor is a column: the column's name stands for the probe
    faults: Mapping[SensorKey, int] = field(default_factory=dict)
    repeats: int = 0
    differing: int = 0
    unordered: bool = False


@dataclass(frozen=True, slots=True)
class FileTurn:
    at: Millis
    note: str = ""


def read_readings(
    file: Path, *, zone: str | None = None, site: str = FILE_SITE, progress: Progress | None = None
) -> ReadingsFile:
    """Raise FileError for what cannot be read; a cell that is no number is a fault, counted, not an error."""
    _check_zone(file, zone)
    layout = layout_of(file)
    table = _table(file, layout, progress)
    if not len(table):
        raise FileError(file, "has a header and no readings under it")
    columns = [column_of(table, layout, value, site) for value in layout.values]
    sensors = [sensor for column in columns for sensor in column.sensors]
    if len(set(sensors)) != len(sensors):
        raise FileError(file, "two columns stand for one sensor; name them apart", 1)
    groups = columns[0].codes
    try:
        at = instants(table[layout.time], zone, groups, "add one, or name the zone with --zone")
    except BadTime as error:
        raise FileError(file, error.why, _line(file, layout, error.row)) from None
    tallied = [one for column in columns for one in _curves(at, column)]
    return ReadingsFile(
        file=file,
        curves={one.sensor: one.curve for one in tallied},
        rows=len(table),
        units=layout.values[0].units,
        sha256=_digest(file),
        delimiter=layout.delimiter,
        wide=layout.shape == "wide",
        faults={one.sensor: one.faults for one in tallied if one.faults},
        repeats=sum(one.repeats for one in tallied),
        differing=sum(one.differing for one in tallied),
        unordered=any(one.unordered for one in tallied),
    )


def read_turns(file: Path, *, zone: str | None = None) -> list[FileTurn]:
    """``time[,note]``, with or without a header; by time."""
    _check_zone(file, zone)
    delimiter = next((mark for mark in (",", ";", "\t") if mark in first_line(file)), ",")
    turns: list[FileTurn] = []
    try:
        with file.open(encoding="utf-8-sig", newline="") as handle:
            for row in (reader := csv.reader(handle, delimiter=delimiter)):
                if not row or not row[0].strip():
                    continue
                if reader.line_num == 1 and row[0].strip().lower() in TIME_NAMES:
                    continue
                try:
                    at = parse_time(row[0], zone)
                except TimeError as error:
                    raise FileError(file, f"{error}", reader.line_num) from None
                turns.append(FileTurn(at, row[1].strip() if len(row) > 1 else ""))
    except (UnicodeDecodeError, csv.Error) as error:
        raise FileError(file, f"is not CSV in UTF-8: {error}") from None
    except OSError as error:
        raise FileError(file, f"cannot be read: {error.strerror or error}") from error
    return sorted(turns, key=lambda turn: turn.at)


def _check_zone(file: Path, zone: str | None) -> None:
    if zone is not None:
        try:
            zone_of(zone)
        except TimeError as error:
            raise FileError(file, str(error)) from None


def _table(file: Path, layout: Layout, progress: Progress | None) -> pd.DataFrame:
    texts = [name for name in (layout.time, layout.probe, layout.depth, layout.level) if name is not None]
    parts: list[pd.DataFrame] = []
    rows = 0
    try:
        with pd.read_csv(
            file,
            sep=layout.delimiter,
            encoding="utf-8-sig",
            header=0,
            names=[*layout.columns, *(f"\0{index}" for index in range(layout.unnamed))],
            dtype=dict.fromkeys(texts, "object"),
            keep_default_na=False,
            skip_blank_lines=True,
            chunksize=CHUNK_ROWS,
            low_memory=False,
            on_bad_lines="error",
        ) as chunks:
            for chunk in chunks:
                parts.append(chunk)
                rows += len(chunk)
                if progress is not None:
                    progress(rows)
    except pd.errors.ParserError as error:
        raise FileError(file, f"is not a well-formed table: {_parser_words(error)}") from None
    except UnicodeDecodeError:
        raise FileError(file, "is not UTF-8 text; save it as CSV in UTF-8") from None
    except (OSError, ValueError) as error:
        raise FileError(file, f"cannot be read: {error}") from error
    table = parts[0] if len(parts) == 1 else pd.concat(parts, ignore_index=True)
    return table.fillna(dict.fromkeys(texts, ""))  # a line cut short


def _parser_words(error: Exception) -> str:
    text = str(error).removeprefix("Error tokenizing data. C error: ").strip()
    return f"{text} ({DECIMAL_COMMA})" if text.startswith("Expected ") else text


@dataclass(frozen=True, slots=True)
class _Tallied:
    sensor: SensorKey
    curve: Curve
    faults: int
    repeats: int
    differing: int
    unordered: bool


def _curves(at: NDArray[np.int64], column: Column) -> list[_Tallied]:
    no_number = np.isnan(column.celsius)
    # stable: of several rows with one instant, numbers come before faults, and otherwise the first comes first
    order = np.lexsort((no_number, at, column.codes))
    order = order[~(column.empty & no_number)[order]]
    bounds = np.searchsorted(column.codes[order], np.arange(len(column.sensors) + 1))
    return [
        _tally(sensor, at, column.celsius, order[bounds[index] : bounds[index + 1]])
        for index, sensor in enumerate(column.sensors)
    ]


def _tally(
    sensor: SensorKey, at: NDArray[np.int64], celsius: NDArray[np.float64], rows: NDArray[np.intp]
) -> _Tallied:
    """``rows``: those of one sensor, by time. A fault stays in the curve as no number, which no sum touches."""
    times, values = at[rows], celsius[rows]
    fault = np.isnan(values)
    again = np.concatenate(([False], times[1:] == times[:-1]))[: len(times)]
    kept = np.maximum.accumulate(np.where(again, 0, np.arange(len(times))))
    repeat = again & ~fault
    mark = np.full(int((~again).sum()), int(ArrivalMark.IMPORTED), dtype=np.uint8)
    return _Tallied(
        sensor, Curve(times[~again], values[~again], mark),
        faults=int(fault.sum()),
        repeats=int((repeat & (values == values[kept])).sum()),
        differing=int((repeat & (values != values[kept])).sum()),
        unordered=bool((np.diff(rows) < 0).any()),
    )  # fmt: skip


def _line(file: Path, layout: Layout, row: int) -> int:
    """The line of the file on which the ``row``-th record stands (quoted cells may hold line breaks)."""
    with file.open(encoding="utf-8-sig", newline="") as handle:
        reader = csv.reader(handle, delimiter=layout.delimiter)
        next(reader)
        at = -1
        for cells in reader:
            at += bool(cells)
            if at == row:
                return reader.line_num
    return row + 2


def _digest(file: Path) -> str:
    with file.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()
