"""Many ISO 8601 texts at once, to whole milliseconds UTC."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shared.times import MINUTE, TimeError, parse_time, zone_of

_HAS_OFFSET = r"(?i)\d[T ]\d{2}.*(?:Z|[+-]\d{2}(?::?\d{2})?)$"


class BadTime(Exception):
    """The ``row``-th text (from 0) is no instant; ``why`` says what to do."""

    def __init__(self, row: int, why: str) -> None:
        super().__init__(why)
        self.row, self.why = row, why


def instants(
    texts: pd.Series[Any], zone: str | None, groups: NDArray[np.intp], needs_zone: str
) -> NDArray[np.int64]:
    """Shape (n,) int64 ms. A text with an offset says what it means; one without is read in ``zone``.

    In the hour that a clock change repeats, the time is the earlier one until, within its group (a sensor) and in the
    order of the file, the clock is seen to step back; from there on it is the later one. A time that a clock change
    skips is read by the offset before the change. Raises BadTime.
    """
    codes, found = pd.factorize(texts, use_na_sentinel=False)
    unique = pd.Series(np.asarray(found, dtype=object), dtype=str).str.strip()
    has_offset = np.asarray(unique.str.contains(_HAS_OFFSET, regex=True), dtype=bool)
    first_row = _first_rows(codes, len(unique))
    if zone is None and not has_offset.all():
        row = int(first_row[~has_offset].min())
        text = str(texts.iloc[row]).strip()
        parse_or_raise(row, text, "UTC")
        raise BadTime(row, f"{text!r} has no UTC offset; {needs_zone}")
    at = np.empty(len(unique), dtype=np.int64)
    at[has_offset] = _parse(unique[has_offset], first_row[has_offset], None)
    if has_offset.all():
        return at[codes]
    wall = np.zeros(len(unique), dtype=np.int64)
    wall[~has_offset] = _parse(unique[~has_offset], first_row[~has_offset], "UTC")
    zone = zone or "UTC"
    at[~has_offset] = _localised(wall[~has_offset], zone, _earlier)
    late = at.copy()
    late[~has_offset] = _localised(wall[~has_offset], zone, _later)
    all_at = at[codes]
    for group, stepped in _stepped_back(wall[codes], (late != at)[codes], groups):
        all_at[group[stepped]] = late[codes[group[stepped]]]
    return all_at


def parse_or_raise(row: int, text: str, zone: str | None) -> None:
    try:
        parse_time(text, zone)
    except TimeError as error:
        raise BadTime(row, str(error)) from None


def _first_rows(codes: NDArray[np.intp], count: int) -> NDArray[np.intp]:
    first = np.full(count, len(codes), dtype=np.intp)
    np.minimum.at(first, codes, np.arange(len(codes)))
    return first


def _parse(texts: pd.Series[str], rows: NDArray[np.intp], zone: str | None) -> NDArray[np.int64]:
    if not len(texts):
        return np.empty(0, dtype=np.int64)
    parsed = pd.to_datetime(texts, format="ISO8601", utc=True, errors="coerce")
    missing = parsed.isna().to_numpy(dtype=bool)
    at = np.array(parsed.dt.tz_localize(None).dt.as_unit("ms").to_numpy().astype(np.int64))
    for index in np.flatnonzero(missing)[np.argsort(rows[missing])]:
        parse_or_raise(int(rows[index]), str(texts.iloc[index]), zone)
        at[index] = parse_time(str(texts.iloc[index]), zone)
    return at


def _earlier(wall: pd.DatetimeIndex, zone: str) -> pd.DatetimeIndex:
    return wall.tz_localize(zone, ambiguous=np.ones(len(wall), dtype=bool), nonexistent="NaT")


def _later(wall: pd.DatetimeIndex, zone: str) -> pd.DatetimeIndex:
    return wall.tz_localize(zone, ambiguous=np.zeros(len(wall), dtype=bool), nonexistent="NaT")


def _localised(
    wall: NDArray[np.int64], zone: str, which: Callable[[pd.DatetimeIndex, str], pd.DatetimeIndex]
) -> NDArray[np.int64]:
    zone_of(zone)
    known = which(pd.DatetimeIndex(wall.astype("datetime64[ms]")), zone)
    at = np.array(known.tz_convert("UTC").tz_localize(None).as_unit("ms").to_numpy().astype(np.int64))
    for index in np.flatnonzero(known.isna()):
        text = str(wall[index].astype("datetime64[ms]"))
        at[index] = parse_time(text, zone)
    return at


def _stepped_back(
    wall: NDArray[np.int64], repeated: NDArray[np.bool_], groups: NDArray[np.intp]
) -> list[tuple[NDArray[np.intp], NDArray[np.bool_]]]:
    """Per sensor and clock-change night: the rows in the repeated hour, and which of them come after the step back."""
    found = []
    rows = np.flatnonzero(repeated)
    nights = wall[rows] // (12 * 60 * MINUTE)
    for group, night in sorted(set(zip(groups[rows].tolist(), nights.tolist(), strict=True))):
        mine = rows[(groups[rows] == group) & (nights == night)]
        back = np.flatnonzero(np.diff(wall[mine]) < 0)
        if len(back) == 1:  # once: the clock; more often: rows out of order, which say nothing
            found.append((mine, np.arange(len(mine)) > back[0]))
    return found
