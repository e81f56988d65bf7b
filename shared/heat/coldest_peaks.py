"""The highest that the coldest of each zone came to, kept up to date as readings come and go."""

from __future__ import annotations

from collections.abc import Iterable

from shared.heat.curve import Window
from shared.heat.extremes import coldest_peak
from shared.heat.peaks import Peak, higher
from shared.heat.view import AnyZone, within
from shared.heat.zones import ZoneLines


class ColdestPeaks:
    def __init__(self, max_gap_ms: int) -> None:
        self._max_gap_ms = max_gap_ms
        self._held: dict[AnyZone, Peak | None] = {}

    def clear(self) -> None:
        self._held.clear()

    def of(self, zone: AnyZone, lines: ZoneLines) -> Peak | None:
        if zone not in self._held:
            lows = [int(line.rows.at[0]) for line in lines.lines if line.rows.count]
            highs = [int(line.rows.at[-1]) for line in lines.lines if line.rows.count]
            self._held[zone] = coldest_peak(lines, min(lows), max(highs), edges=False) if lows else None
        return self._held[zone]

    def renew(self, zone: AnyZone, lines: ZoneLines, windows: Iterable[Window]) -> None:
        """What is known of ``zone`` changed within ``windows``."""
        for start, end in windows:
            if zone not in self._held:
                return
            held = self._held[zone]
            if held is not None and not start <= held[1] <= end and _all_below(lines, start, end, held[0]):
                continue
            near = coldest_peak(lines, start - self._max_gap_ms, end + self._max_gap_ms, edges=False)
            if near is not None and higher(held, near) == near:
                self._held[zone] = near
            elif held is not None and start <= held[1] <= end:
                del self._held[zone]


def _all_below(lines: ZoneLines, start: int, end: int, celsius: float) -> bool:
    """Whether one sensor that is asked throughout stayed below, so that the coldest did too."""
    for line, asked in lines.members:
        if len(asked) == 1 and within(asked, start) and within(asked, end):
            around = line.around(start, end)[1]
            if len(around) and around.max() < celsius:
                return True
    return False
