"""Which column of a readings file is what: the delimiter, and long or wide."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from shared.readings import canonical_depth
from shared.units import Units

TIME_NAMES = ("time", "timestamp", "datetime", "date_time", "measured_at", "date")
_DEPTH = re.compile(r"(?<![\d.])(\d+(?:[.]\d+)?)\s*_?cm\b", re.IGNORECASE)
_FAHRENHEIT = re.compile(r"fahrenheit|°\s*f\b|[(\[]\s*f\s*[)\]]|deg_?f\b", re.IGNORECASE)
DECIMAL_COMMA = "a decimal comma? then divide the columns by semicolons"
DELIMITERS = (",", ";", "\t")


class FileError(Exception):
    """A file that cannot be used; the text says where and what to do."""

    def __init__(self, file: Path, why: str, line: int | None = None) -> None:
        super().__init__(f"{file}, line {line}: {why}" if line is not None else f"{file}: {why}")
        self.file, self.line, self.why = file, line, why


@dataclass(frozen=True, slots=True)
class ValueColumn:
    """A wide file's sensor: the column's name stands for the probe."""

    column: str
    probe: str
    depth: str
    units: Units


@dataclass(frozen=True, slots=True)
class Layout:
    shape: Literal["long", "wide"]
    delimiter: str
    columns: tuple[str, ...]
    time: str
    values: tuple[ValueColumn, ...]  # long: one, its probe and depth unused
    probe: str | None = None  # long: the column of the probe's name
    depth: str | None = None  # long: the column of the depth in cm
    level: str | None = None  # long: the column of the level's name
    unnamed: int = 0  # delimiters that end every line


def first_line(file: Path) -> str:
    return _first_lines(file)[0]


def _first_lines(file: Path) -> tuple[str, str]:
    """The first line, and the first under it that holds something."""
    try:
        with file.open(encoding="utf-8-sig", newline="") as handle:
            line = handle.readline(65_536)
            second = "\n"
            while second and not second.strip():
                second = handle.readline(65_536)
    except UnicodeDecodeError:
        raise FileError(file, "is not UTF-8 text; save it as CSV in UTF-8") from None
    except OSError as error:
        raise FileError(file, f"cannot be read: {error.strerror or error}") from error
    if "\0" in line:
        raise FileError(file, "is not a text file; save it as CSV in UTF-8")
    return line.rstrip("\r\n"), second.rstrip("\r\n")


def layout_of(file: Path) -> Layout:
    header, under = _first_lines(file)
    if not header.strip():
        raise FileError(file, "has no header; the first line must name the columns, such as time,probe,depth_cm,celsius", 1)  # fmt: skip
    delimiter = _delimiter(file, header)
    columns = tuple(name.strip() for name in next(csv.reader([header], delimiter=delimiter)))
    named = len(columns)
    if under and len(next(csv.reader([under], delimiter=delimiter))) > named:
        raise FileError(file, f"the first line under the names has more cells than names ({DECIMAL_COMMA})")
    while columns and not columns[-1]:  # a delimiter at the end of every line
        columns = columns[:-1]
    if len(set(columns)) != len(columns) or "" in columns:
        raise FileError(file, "every column needs a name of its own in the first line", 1)
    by_name = {name.lower(): name for name in columns}
    time = next((by_name[name] for name in TIME_NAMES if name in by_name), None)
    if time is None:
        raise FileError(file, f"no time column; name it time (there are {', '.join(columns)})", 1)
    if "celsius" in by_name or "fahrenheit" in by_name:
        layout = _long(file, columns, by_name, time, delimiter)
    else:
        layout = _wide(file, columns, time, delimiter)
    return replace(layout, unnamed=named - len(columns))


def _delimiter(file: Path, header: str) -> str:
    there = [delimiter for delimiter in DELIMITERS if delimiter in header]
    if len(there) > 1:
        named = {delimiter: [name.strip().lower() for name in header.split(delimiter)] for delimiter in there}
        there = [delimiter for delimiter in there if set(named[delimiter]) & set(TIME_NAMES)]
    if len(there) != 1:
        raise FileError(file, "cannot tell how columns are divided; use commas, semicolons or tabs throughout", 1)  # fmt: skip
    return there[0]


def _long(file: Path, columns: tuple[str, ...], by_name: dict[str, str], time: str, delimiter: str) -> Layout:
    if "celsius" in by_name and "fahrenheit" in by_name:
        raise FileError(file, "has both celsius and fahrenheit; keep one", 1)
    units: Units = "celsius" if "celsius" in by_name else "fahrenheit"
    if "depth_cm" in by_name and "level" in by_name:
        raise FileError(file, "has both depth_cm and level; keep one", 1)
    value = ValueColumn(by_name[units], "", "", units)
    return Layout(
        "long", delimiter, columns, time, (value,),
        probe=by_name.get("probe"), depth=by_name.get("depth_cm"), level=by_name.get("level"),
    )  # fmt: skip


def _wide(file: Path, columns: tuple[str, ...], time: str, delimiter: str) -> Layout:
    values = tuple(
        ValueColumn(name, name, _depth_in(name), "fahrenheit" if _FAHRENHEIT.search(name) else "celsius")
        for name in columns
        if name != time
    )
    if not values:
        raise FileError(file, "has a time column and no readings beside it", 1)
    return Layout("wide", delimiter, columns, time, values)


def _depth_in(name: str) -> str:
    """The depth that a wide column's name tells: ``core 45 cm``, or a bare ``45``; else none."""
    if found := _DEPTH.search(name):
        return canonical_depth(found.group(1))
    return canonical_depth(name) if re.fullmatch(r"\d+([.]\d+)?", name.strip()) else ""
