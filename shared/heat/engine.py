"""All sums of one pile, kept up to date as readings come and go in any order.

One more reading costs a window around it, whatever the pile's age; the answers equal those worked out afresh.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from shared.heat.coldest_peaks import ColdestPeaks
from shared.heat.curve import SensorLine, Window
from shared.heat.exposure import KNOWN
from shared.heat.extremes import coldest_peak
from shared.heat.facts import PileFacts
from shared.heat.hand import HAND_GAP_MS, hand_only, hand_stand
from shared.heat.outlook import OutlookState
from shared.heat.peaks import Peak, higher
from shared.heat.remembered import Remembered
from shared.heat.report import THRESHOLDS_C
from shared.heat.risk_steps import STEP_THRESHOLDS_C
from shared.heat.spans import FOREVER
from shared.heat.stands import Stand, merged
from shared.heat.view import AnyZone, Stretches, Which, within
from shared.heat.zones import ZoneLines
from shared.piles import Placement, Zone
from shared.readings import Curve, SensorKey
from shared.times import Millis

_Found = TypeVar("_Found")
ASKED_OF_THE_CORE = tuple(dict.fromkeys((KNOWN, *map(float, THRESHOLDS_C), *STEP_THRESHOLDS_C)))
"""What every report asks; one pass over a long past finds them all."""


class PileHeat:
    """Readings in, sums out. Facts are fixed: when they change, make another one. Not safe for several threads."""

    def __init__(
        self, facts: PileFacts, max_gap_ms: int, curves: Mapping[SensorKey, Curve] | None = None
    ) -> None:
        self.facts = facts
        self.hand_gap_ms = max(HAND_GAP_MS, max_gap_ms)
        self.max_gap_ms = self.hand_gap_ms if hand_only(facts) else max_gap_ms
        places: dict[tuple[str, str, str, Zone], list[Placement]] = {}
        for placed in sorted(facts.placements, key=lambda p: (p.probe, p.span.start, p.id)):
            places.setdefault((placed.site, placed.probe, placed.position, placed.zone), []).append(placed)
        self.stands = [Stand(facts, placements, max_gap_ms) for placements in places.values()]
        self.hand = hand_stand(facts, max_gap_ms)
        if self.hand is not None:
            self.stands.append(self.hand)
        self._stale = self.hand is not None
        self._zones: dict[AnyZone, ZoneLines] = {}
        self._coldest_peaks = ColdestPeaks(self.max_gap_ms)
        self._remembered = Remembered()
        self._latest: dict[tuple[Which, AnyZone | None, Millis], tuple[float, Millis] | None] = {}
        self.outlook_state = OutlookState()
        for sensor, curve in (curves or {}).items():
            self.put(sensor, curve.at, curve.value, curve.mark)

    def put(
        self,
        sensor: SensorKey,
        at: NDArray[np.int64],
        value: NDArray[np.float64],
        mark: NDArray[np.uint8] | None = None,
    ) -> None:
        """Add readings in any order. An instant that is there keeps its first value; not a number = no value."""
        marks = np.zeros(len(at), dtype=np.uint8) if mark is None else mark
        for stand, inside in self._where(sensor, at):
            self._stale = True
            stand.line(sensor.depth).put(at[inside], value[inside], marks[inside])

    def hold(self, sensor: SensorKey, since: Millis, curve: Curve) -> None:
        """From ``since`` on the sensor has these readings and no others; what is the same as before costs little."""
        for stand in self._stands_of(sensor):
            inside = (curve.at >= since) & stand.covers(curve.at)
            if inside.any() or sensor.depth in stand.lines:
                self._stale = True
                stand.line(sensor.depth).hold(
                    since, curve.at[inside], curve.value[inside], curve.mark[inside]
                )

    def withdraw(self, sensor: SensorKey, at: NDArray[np.int64]) -> None:
        """Take readings back; the line is as if they had never been."""
        for stand, inside in self._where(sensor, at):
            if sensor.depth in stand.lines:
                self._stale = True
                stand.line(sensor.depth).withdraw(at[inside])

    def intervals(self, threshold_c: float, which: Which, zone: AnyZone | None = None) -> Stretches:
        lines = self._zone(zone)
        lines.add_thresholds([threshold_c])
        return lines.spells[which][threshold_c].stretches()

    def spells(self, threshold_c: float, which: Which, zone: AnyZone | None = None) -> tuple[int, int]:
        """The whole time and the longest stretch at or over ``threshold_c``, in ms."""
        lines = self._zone(zone)
        lines.add_thresholds([threshold_c])
        spells = lines.spells[which][threshold_c]
        return spells.total_ms, spells.longest_ms

    def known(self, zone: AnyZone | None = None, which: Which = "coldest") -> Stretches:
        return self.intervals(KNOWN, which, zone)

    def zones(self) -> frozenset[Zone]:
        return frozenset(stand.zone for stand in self.stands if len(stand.spans))

    def peak(
        self,
        which: Which,
        zone: AnyZone | None = None,
        *,
        after: Millis | None = None,
        until: Millis | None = None,
    ) -> tuple[float, Millis] | None:
        lines = self._zone(zone)
        whole = after is None and until is None
        first, last = -1 if after is None else after, FOREVER if until is None else until
        best: Peak | None = None
        if which == "coldest":
            best = (
                self._coldest_peaks.of(zone or "core", lines) if whole else coldest_peak(lines, first, last)
            )
        else:
            for line in lines.lines:
                best = higher(best, line.peak if whole else line.peak_within(first, last))
        return None if best is None else (best[0], Millis(best[1]))

    def latest(self, which: Which, now: Millis, zone: AnyZone | None = None) -> tuple[float, Millis] | None:
        """°C now, and the age in ms of the oldest reading that it rests on."""
        self.refresh()
        asked = (which, zone, now)
        if asked not in self._latest:
            self._latest = {one: found for one, found in self._latest.items() if one[2] == now}
            self._latest[asked] = self._latest_of(self._zone(zone), which, now)
        return self._latest[asked]

    def _latest_of(self, lines: ZoneLines, which: Which, now: Millis) -> tuple[float, Millis] | None:
        found: list[tuple[float, int]] = []
        for line, asked in lines.members:
            latest = line.now(now)
            if latest is not None and (which == "hottest" or within(asked, now)):
                found.append(latest)
            elif which == "coldest" and within(asked, now):
                return None
        if not found or (which == "coldest" and any(within(span, now) for span in lines.silent)):
            return None
        if which == "hottest":
            celsius, at = max(found)
            return celsius, Millis(now - at)
        return min(found)[0], Millis(now - min(at for _, at in found))

    def readings(
        self, zone: AnyZone | None = None, *, after: Millis, until: Millis
    ) -> list[tuple[str, str, NDArray[np.int64], NDArray[np.float64]]]:
        self.refresh()
        return [(line.key.probe, line.key.depth, *line.good(after, until)) for line in self._zone(zone).lines]

    def remembered(
        self, name: str, start: Millis, end: Millis, make: Callable[[], _Found], *, alone: bool = False
    ) -> _Found:
        """``make()``, kept until a reading changes what is known within [start, end]; ``alone``: until it moves on."""
        self.refresh()
        return self._remembered.get((name, start, end), make, alone=alone)

    def newest_at(self) -> Millis | None:
        """The instant of the last reading held, good or not."""
        lasts = [
            int(line.rows.at[-1]) for stand in self.stands for line in stand.lines.values() if line.rows.count
        ]
        return Millis(max(lasts)) if lasts else None

    def row_count(self) -> int:
        """Readings of probes that it holds, whatever was judged of them."""
        return sum(line.rows.count for line in self.probe_lines())

    def probe_lines(self) -> list[SensorLine]:
        return [line for stand in self.stands if stand is not self.hand for line in stand.lines.values()]

    def curves(self) -> dict[SensorKey, Curve]:
        """The raw readings held, as they would come from a store."""
        pieces: dict[SensorKey, list[SensorLine]] = {}
        for stand in self.stands:
            for line in stand.lines.values() if stand is not self.hand else ():
                pieces.setdefault(line.key, []).append(line)
        found: dict[SensorKey, Curve] = {}
        for key, lines in pieces.items():
            at = np.concatenate([line.rows.at for line in lines])
            order = np.argsort(at, kind="stable")
            value = np.concatenate([line.rows.value for line in lines])
            mark = np.concatenate([line.rows.mark for line in lines])
            found[key] = Curve(at[order], value[order], mark[order])
        return found

    def refresh(self) -> None:
        """Take in what was put since; every question does so by itself."""
        if not self._stale:
            return
        self._stale = False
        self._latest.clear()
        if self._complete_depths():
            self._zones.clear()
            self._coldest_peaks.clear()
        by_zone: dict[Zone, list[Window]] = {}
        for stand in self.stands:
            by_zone.setdefault(stand.zone, []).extend(window for _, window in stand.renew())
        for zone, lines in self._zones.items():
            mine = merged((w for z, found in by_zone.items() if _belongs(z, zone) for w in found), 0)
            lines.renew(mine)
            self._coldest_peaks.renew(zone, lines, mine)
        self._remembered.forget(merged((w for found in by_zone.values() for w in found), 0))

    def _complete_depths(self) -> bool:
        """A depth that spoke in one placement of a probe is looked for in all of them; True = that changed."""
        spoken: dict[str, set[str]] = {}
        for stand in self.stands:
            depths = spoken.setdefault(stand.probe, set())
            depths |= {depth for depth, line in stand.lines.items() if line.rows.count}
        changed = False
        for stand in self.stands:
            changed |= stand.set_depths(spoken[stand.probe])
        return changed

    def _zone(self, zone: AnyZone | None) -> ZoneLines:
        self.refresh()
        name: AnyZone = zone or "core"
        if name not in self._zones:
            stands = [stand for stand in self.stands if _belongs(stand.zone, name) and len(stand.spans)]
            members = [
                (line, stand.asked(depth)) for stand in stands for depth, line in stand.depths().items()
            ]
            silent = [stand.asked("") for stand in stands if not stand.depths()]
            self._zones[name] = ZoneLines(members, [span for span in silent if len(span)])
            if name == "core":
                self._zones[name].add_thresholds(ASKED_OF_THE_CORE)
        return self._zones[name]

    def _stands_of(self, sensor: SensorKey) -> list[Stand]:
        if sensor.quantity != "temperature":
            return []
        return [
            stand
            for stand in self.stands
            if (stand.site, stand.probe) == (sensor.site, sensor.probe) and stand is not self.hand
        ]

    def _where(self, sensor: SensorKey, at: NDArray[np.int64]) -> list[tuple[Stand, NDArray[np.bool_]]]:
        found = [(stand, stand.covers(at)) for stand in self._stands_of(sensor)]
        return [(stand, inside) for stand, inside in found if inside.any()]


def _belongs(zone: Zone, asked: AnyZone) -> bool:
    return zone != "ambient" if asked == "all" else zone == asked
