"""The line of one sensor in one place of a pile, kept up to date as readings come, late ones too."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from shared.heat.exposure import KNOWN, few_stretches_over, stretches_over
from shared.heat.lethality import line_doses
from shared.heat.peaks import Peak, Peaks, Readings
from shared.heat.report import THRESHOLDS_C
from shared.heat.rows import Rows, alike
from shared.heat.screening import GOOD, RawReadings, Reason
from shared.heat.spans import Spells
from shared.heat.view import Stretches
from shared.readings import SensorKey
from shared.times import MINUTE

FEW = 8
"""Good readings of which each threshold is worked out by itself; of more, all thresholds at once."""
FAULTY_ROWS, FAULTY_MS = 3, 60 * MINUTE
"""A lone bad reading vanishes and its neighbours join; so many in a row over more than so long end the line."""

PULLED_OUT = int(Reason.PULLED_OUT)

Window = tuple[int, int]


class SensorLine:
    """Readings in, stretches over each threshold out. ``cuts`` are instants that a line cannot cross: a reading at a
    cut or later belongs to the far side."""

    def __init__(
        self, key: SensorKey, max_gap_ms: int, cuts: NDArray[np.int64], offsets: Sequence[tuple[int, float]]
    ) -> None:
        self.key, self.rows = key, Rows()
        self._max_gap_ms, self.cuts = max_gap_ms, cuts
        self._offset_from = np.array([since for since, _ in offsets], dtype=np.int64)
        self._offset_c = np.array([0.0, *(offset for _, offset in offsets)])
        self.spells: dict[float, Spells] = {one: Spells() for one in (KNOWN, *map(float, THRESHOLDS_C))}
        self.dose = 0
        self._peaks = Peaks(cuts, self.good)
        self.dirty: list[Window] = []

    def put(self, at: NDArray[np.int64], value: NDArray[np.float64], mark: NDArray[np.uint8]) -> None:
        """Add readings in any order; an instant that is there already keeps its first value."""
        order = np.argsort(at, kind="stable")
        at, first = np.unique(at[order], return_index=True)
        value, mark = value[order][first], mark[order][first]
        held = self.rows.at
        place = held.searchsorted(at)
        fresh = (
            (place == len(held)) | (held[np.minimum(place, max(len(held) - 1, 0))] != at)
            if len(held)
            else np.ones(len(at), bool)
        )
        if not fresh.any():
            return
        at, value, mark = at[fresh], value[fresh], mark[fresh]
        low, high = self.rows.index(int(at[0])), self.rows.index(int(at[-1]))
        between = self.rows.raw(low, high)
        if high > low:
            at = np.concatenate((between.at, at))
            order = np.argsort(at, kind="stable")
            at = at[order]
            value = np.concatenate((between.value, value))[order]
            mark = np.concatenate((between.mark, mark))[order]
        self._set(low, high, at, value, mark)

    def withdraw(self, at: NDArray[np.int64]) -> None:
        gone = np.isin(self.rows.at, at)
        where = np.flatnonzero(gone)
        if len(where):
            low, high = int(where[0]), int(where[-1]) + 1
            raw, stay = self.rows.raw(low, high), ~gone[low:high]
            self._set(low, high, raw.at[stay], raw.value[stay], raw.mark[stay])

    def hold(
        self, since: int, at: NDArray[np.int64], value: NDArray[np.float64], mark: NDArray[np.uint8]
    ) -> None:
        """From ``since`` on there are these readings (ascending) and no others."""
        low = self.rows.index(since)
        if low == self.rows.count:
            if len(at):
                self._set(low, low, at, value, mark)
            return
        old, new = self.rows.raw(low, self.rows.count), RawReadings(at, value, mark)
        keep, tail = alike(old, new)
        if keep < len(old.at) or keep < len(at):
            stop = len(at) - tail
            self._set(low + keep, self.rows.count - tail, at[keep:stop], value[keep:stop], mark[keep:stop])

    def _set(
        self, low: int, high: int, at: NDArray[np.int64], value: NDArray[np.float64], mark: NDArray[np.uint8]
    ) -> None:
        edges = [int(at[0]), int(at[-1])] if len(at) else []
        if high > low:
            edges += [int(self.rows.at[low]), int(self.rows.at[high - 1])]
        self.dose -= int(self.rows.dose[low:high].sum())
        at, value, mark = at.copy(), value.copy(), mark.copy()
        celsius = value + self._offset_c[self._offset_from.searchsorted(at, "right")]
        self.rows.replace(low, high, at, value, mark, celsius)
        self.dirty.append((min(edges), max(edges)))

    def renew(self, changed: Window) -> Window:
        """Work the line out anew around rows that changed; gives the window, from a good reading to a good one."""
        before = self.rows.good_before(self.rows.index(changed[0]))
        after = self.rows.good_from(self.rows.index(changed[1], "right"))
        start = changed[0] if before is None else int(self.rows.at[before])
        end = changed[1] if after is None else int(self.rows.at[after])
        at, celsius, joined, good, low = self._line(start, end)
        if len(at) <= FEW:
            few = at.tolist(), celsius.tolist(), joined.tolist()
            for threshold_c, spells in self.spells.items():
                spells.replace(start, end, few_stretches_over(threshold_c, *few))
        else:
            self._renew_spells(start, end, stretches_over(np.array(list(self.spells)), at, celsius, joined))
        self._renew_dose(at, celsius, joined, good, low, end)
        self._peaks.renew(at, celsius, start, end)
        return start, end

    def _renew_spells(self, start: int, end: int, found: Sequence[Stretches]) -> None:
        for threshold_c, stretches in zip(list(self.spells), found, strict=True):
            spells = self.spells[threshold_c]
            if spells.starts or len(stretches) < 64:
                spells.replace(start, end, [(a, b) for a, b in stretches.tolist()])
            else:
                self.spells[threshold_c] = Spells(stretches)

    def _line(
        self, start: int, end: int
    ) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.bool_], NDArray[np.intp], int]:
        """Good readings within [start, end], where a line joins them, their rows, and the first row looked at."""
        low, high = self.rows.index(start), self.rows.index(end, "right")
        all_at, reason = self.rows.at[low:high], self.rows.reason[low:high]
        at, celsius = all_at, self.rows.celsius[low:high]
        if reason.any():
            good = np.flatnonzero(reason == GOOD)
            at, celsius = at[good], celsius[good]
        else:
            good = np.arange(high - low)
        joined = at[1:] - at[:-1] <= self._max_gap_ms
        if self._side(start) != self._side(end):
            side = self.cuts.searchsorted(at, "right")
            joined &= side[1:] == side[:-1]
        if len(good) == high - low:
            return at, celsius, joined, good, low
        bad_between = np.diff(good) - 1
        for gap in np.flatnonzero(joined & (bad_between > 0)).tolist():
            first, last = good[gap] + 1, good[gap + 1] - 1
            faulty = bad_between[gap] >= FAULTY_ROWS and all_at[last] - all_at[first] > FAULTY_MS
            joined[gap] = not (faulty or (reason[first : last + 1] == PULLED_OUT).any())
        return at, celsius, joined, good, low

    def _side(self, at: int) -> int:
        return int(self.cuts.searchsorted(at, "right"))

    def _renew_dose(
        self,
        at: NDArray[np.int64],
        celsius: NDArray[np.float64],
        joined: NDArray[np.bool_],
        good: NDArray[np.intp],
        low: int,
        end: int,
    ) -> None:
        held = self.rows.dose[low : self.rows.index(end)]  # what starts at the window's end stays
        self.dose -= int(held.sum())
        held[:] = 0
        if len(good) > 1:
            held[good[:-1]] = line_doses(at, celsius, joined)
            self.dose += int(held.sum())

    def add_thresholds(self, thresholds_c: Sequence[float]) -> None:
        fresh = [one for one in thresholds_c if one not in self.spells]
        if fresh and self.rows.count:
            at, celsius, joined, _, _ = self._line(int(self.rows.at[0]), int(self.rows.at[-1]))
            found = stretches_over(np.array(fresh), at, celsius, joined)
            self.spells.update(zip(fresh, map(Spells, found), strict=True))
        else:
            self.spells.update((one, Spells()) for one in fresh)

    def last_good(self, until: int) -> tuple[int, float, int] | None:
        """Instant, °C and row of the last good reading at or before ``until``."""
        row = self.rows.good_before(self.rows.index(until, "right"))
        return None if row is None else (int(self.rows.at[row]), float(self.rows.celsius[row]), row)

    def now(self, now: int) -> tuple[float, int] | None:
        """°C and instant of the reading that still says something of ``now``."""
        found = self.last_good(now)
        if found is None or now - found[0] > self._max_gap_ms:
            return None
        at, celsius, row = found
        later = self.rows.reason[row + 1 : self.rows.index(now, "right")]
        if self._side(at) != self._side(now) or (later == PULLED_OUT).any():
            return None
        return celsius, at

    @property
    def peak(self) -> Peak | None:
        return self._peaks.whole()

    def peak_within(self, after: int, until: int) -> Peak | None:
        """The highest good reading within (after, until]."""
        newest = int(self.rows.at[-1]) if self.rows.count else 0
        return self._peaks.within(after, until, newest)

    def good(self, after: int, until: int) -> Readings:
        """Good readings within (after, until]."""
        some = slice(self.rows.index(after, "right"), self.rows.index(until, "right"))
        good = self.rows.reason[some] == GOOD
        return self.rows.at[some][good], self.rows.celsius[some][good]

    def around(self, start: int, end: int) -> Readings:
        """Good readings within [start, end] and the next on either side."""
        before = self.rows.good_before(self.rows.index(start, "right"))
        after = self.rows.good_from(self.rows.index(end))
        some = slice(before or 0, self.rows.count if after is None else after + 1)
        good = self.rows.reason[some] == GOOD
        return self.rows.at[some][good], self.rows.celsius[some][good]

    def values_at(self, grid: NDArray[np.int64]) -> NDArray[np.float64]:
        """°C on the lines between good readings at each instant; what lies outside a line is for the caller to mask."""
        at, celsius = self.around(int(grid[0]), int(grid[-1]))
        if not len(at):
            return np.full(len(grid), np.inf)
        values: NDArray[np.float64] = np.interp(grid, at, celsius)
        return values
