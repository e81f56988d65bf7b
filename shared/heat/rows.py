"""The readings of one sensor in columns that grow, with room to put late ones in between."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from shared.heat.screening import GOOD, RawReadings, Reason

_COLUMNS = (
    ("at", np.int64),
    ("value", np.float64),
    ("mark", np.uint8),
    ("reason", np.uint8),
    ("celsius", np.float64),
    ("dose", np.int64),
)
_SHORTEST = 64
REASONS = len(Reason)


class Rows:
    """Views of equal length ``count``, ascending in time: at, value (raw), mark, reason, celsius (calibrated), dose
    (of the line from this good reading to the next). Views die with the next change."""

    def __init__(self) -> None:
        self.count = 0
        self._columns: dict[str, NDArray[Any]] = {
            name: np.empty(_SHORTEST, dtype=kind) for name, kind in _COLUMNS
        }
        self.by_reason = np.zeros(REASONS, dtype=np.int64)

    @property
    def at(self) -> NDArray[np.int64]:
        return self._columns["at"][: self.count]

    @property
    def value(self) -> NDArray[np.float64]:
        return self._columns["value"][: self.count]

    @property
    def mark(self) -> NDArray[np.uint8]:
        return self._columns["mark"][: self.count]

    @property
    def reason(self) -> NDArray[np.uint8]:
        return self._columns["reason"][: self.count]

    @property
    def celsius(self) -> NDArray[np.float64]:
        return self._columns["celsius"][: self.count]

    @property
    def dose(self) -> NDArray[np.int64]:
        return self._columns["dose"][: self.count]

    @property
    def bytes_held(self) -> int:
        return sum(column.nbytes for column in self._columns.values())

    def raw(self, low: int, high: int) -> RawReadings:
        return RawReadings(self.at[low:high], self.value[low:high], self.mark[low:high])

    def index(self, at: int, side: str = "left") -> int:
        return int(self.at.searchsorted(at, "right" if side == "right" else "left"))

    def replace(
        self,
        low: int,
        high: int,
        at: NDArray[np.int64],
        value: NDArray[np.float64],
        mark: NDArray[np.uint8],
        celsius: NDArray[np.float64],
    ) -> None:
        """Rows low..high become these; all of them good and without dose until judged."""
        if high > low:
            self.by_reason -= np.bincount(self.reason[low:high], minlength=REASONS)
        self.by_reason[GOOD] += len(at)
        after = self.count - high
        count = low + len(at) + after
        self._make_room(count)
        fresh: dict[str, Any] = {
            "at": at,
            "value": value,
            "mark": mark,
            "celsius": celsius,
            "reason": GOOD,
            "dose": 0,
        }
        for name, column in self._columns.items():
            if after and count != self.count:
                column[count - after : count] = column[high : self.count]
            column[low : low + len(at)] = fresh[name]
        self.count = count

    def judge(self, low: int, reasons: NDArray[np.uint8]) -> NDArray[np.intp]:
        """Set the reasons from row ``low`` on; gives the rows whose reason changed."""
        held = self.reason[low : low + len(reasons)]
        changed = np.flatnonzero(held != reasons)
        if len(changed):
            self.by_reason += np.bincount(reasons, minlength=REASONS) - np.bincount(held, minlength=REASONS)
            held[changed] = reasons[changed]
        return changed + low

    def good_before(self, row: int) -> int | None:
        """The nearest good row before ``row``."""
        if 0 < row <= self.count and self.reason[row - 1] == GOOD:
            return row - 1
        step = 8
        while row > 0:
            start = max(row - step, 0)
            found = np.flatnonzero(self.reason[start:row] == GOOD)
            if len(found):
                return start + int(found[-1])
            row, step = start, step * 4
        return None

    def good_from(self, row: int) -> int | None:
        """The nearest good row at or after ``row``."""
        if 0 <= row < self.count and self.reason[row] == GOOD:
            return row
        step = 8
        while row < self.count:
            found = np.flatnonzero(self.reason[row : row + step] == GOOD)
            if len(found):
                return row + int(found[0])
            row, step = row + step, step * 4
        return None

    def _make_room(self, count: int) -> None:
        room = len(self._columns["at"])
        if count > room:
            room = max(count, room * 2 if self.count else count)
            for name, column in self._columns.items():
                grown = np.empty(room, dtype=column.dtype)
                grown[: self.count] = column[: self.count]
                self._columns[name] = grown


def alike(one: RawReadings, other: RawReadings) -> tuple[int, int]:
    """How many first rows are the same in both, to the bit, and how many last ones of the rest."""
    keep = _first_alike(one, other)
    return keep, _first_alike(_backwards(one, keep), _backwards(other, keep))


def _backwards(rows: RawReadings, stop: int) -> RawReadings:
    """From the last down to ``stop``."""
    return RawReadings(rows.at[stop:][::-1], rows.value[stop:][::-1], rows.mark[stop:][::-1])


def _first_alike(one: RawReadings, other: RawReadings) -> int:
    short = min(len(one.at), len(other.at))
    same = (
        (one.at[:short] == other.at[:short])
        & (one.value[:short].view(np.int64) == other.value[:short].view(np.int64))
        & (one.mark[:short] == other.mark[:short])
    )
    differ = np.flatnonzero(~same)
    return int(differ[0]) if len(differ) else short
