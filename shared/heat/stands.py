"""A probe in one position of a pile, with all its depths: where its readings go, and how they are judged together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from shared.heat.curve import SensorLine, Window
from shared.heat.facts import PileFacts
from shared.heat.screening import REACH_MS, screen
from shared.heat.spans import FOREVER, complement, intersection, union
from shared.heat.view import Stretches
from shared.piles import Placement, Zone
from shared.readings import SensorKey
from shared.times import Millis


class Stand:
    """All placements of a probe at the same position and zone of the pile; its lines by depth."""

    def __init__(self, facts: PileFacts, placements: Iterable[Placement], max_gap_ms: int) -> None:
        self.placements = tuple(placements)
        first = self.placements[0]
        self.site, self.probe, self.position = first.site, first.probe, first.position
        self.zone: Zone = first.zone
        self.lines: dict[str, SensorLine] = {}
        self._depths: dict[str, SensorLine] = {}
        self._facts, self._max_gap_ms = facts, max_gap_ms
        finish = facts.pile.finished_at
        # a reading at the very instant of the finish is the pile's last
        over = FOREVER if finish is None else finish + 1
        life = np.array([[facts.pile.built_at, over]], dtype=np.int64)
        stays = [
            np.array([[p.span.start, over if p.span.end in {None, finish} else p.span.end]], dtype=np.int64)
            for p in self.placements
            if p.span.start < over
        ]
        self.spans = intersection([union(stays), life])
        edges = {int(edge) for stay in stays for edge in stay.ravel()}
        # a reading at the very instant of a turn is the last before it: the probe is pulled only then
        self.cuts = np.array(sorted(edges | {at + 1 for at in facts.turned_at}), dtype=np.int64)

    def covers(self, at: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which instants fall into a placement (closed at its start, open at its end) and into the pile's life."""
        if not len(self.spans):  # every placement was corrected away
            return np.zeros(at.shape, dtype=np.bool_)
        place = self.spans[:, 0].searchsorted(at, "right") - 1
        covered: NDArray[np.bool_] = (place >= 0) & (at < self.spans[np.maximum(place, 0), 1])
        return covered

    def line(self, depth: str) -> SensorLine:
        if depth not in self.lines:
            offsets = [
                (c.valid_from, c.offset_c)
                for c in sorted(self._facts.calibrations, key=lambda c: c.valid_from)
                if (c.site, c.probe, c.depth) == (self.site, self.probe, depth)
            ]
            key = SensorKey(self.site, self.probe, depth)
            self.lines[depth] = SensorLine(key, self._max_gap_ms, self.cuts, offsets)
        return self.lines[depth]

    def set_depths(self, depths: set[str]) -> bool:
        """These depths of the probe have spoken somewhere in this pile; True = that is news here."""
        before = set(self._depths)
        self._depths = {depth: self.line(depth) for depth in sorted(depths, key=_by_depth)}
        for gone in set(self.lines) - depths:
            if not self.lines[gone].dirty:
                del self.lines[gone]
        return before != depths

    def depths(self) -> dict[str, SensorLine]:
        """The lines of the probe's depths, the shallowest first; empty = the probe has not spoken."""
        return self._depths

    def asked(self, depth: str) -> Stretches:
        """When the coldest has to ask this sensor: while it stands here, unless a person left it out."""
        out = [
            np.array([[one.span.start, FOREVER if one.span.end is None else one.span.end]], dtype=np.int64)
            for one in self._facts.left_out
            if one.probe == self.probe and one.depth in {depth, ""}
        ]
        if not out:
            return self.spans
        return intersection([self.spans, complement(union(out), 0, FOREVER)])

    def history(
        self,
    ) -> Iterator[tuple[SensorKey, Placement, NDArray[np.int64], NDArray[np.float64], NDArray[np.uint8]]]:
        """Per placement and depth: instants, calibrated °C, reasons; copies."""
        for placement in self.placements:
            for line in self._depths.values():
                end = placement.span.end
                some = slice(
                    line.rows.index(placement.span.start),
                    line.rows.count if end is None else line.rows.index(end),
                )
                yield (
                    line.key, placement, line.rows.at[some].copy(), line.rows.celsius[some].copy(),
                    line.rows.reason[some].copy(),
                )  # fmt: skip

    def left_out(self, depth: str, now: Millis) -> str | None:
        for one in self._facts.left_out:
            if one.probe == self.probe and one.depth in {depth, ""} and now in one.span:
                return one.reason
        return None

    def renew(self) -> list[tuple[SensorLine, Window]]:
        """Judge what came near, and work out the lines anew where that changed them; gives these windows."""
        lines = [line for line in self.lines.values() if line.rows.count or line.dirty]
        changed: list[tuple[SensorLine, Window]] = []
        for line in lines:
            changed += [(line, window) for window in line.dirty]
            line.dirty = []
        for start, end in merged((w for _, w in changed), REACH_MS):
            changed += self._judge(lines, start, end)
        return [
            (line, line.renew(window))
            for line in lines
            for window in _without_good_between(line, merged((w for one, w in changed if one is line), 0))
        ]

    def _judge(self, lines: list[SensorLine], start: int, end: int) -> list[tuple[SensorLine, Window]]:
        """Screen around a change; gives where a reading's reason became another."""
        inner, outer = (start - REACH_MS, end + REACH_MS), (start - 2 * REACH_MS, end + 2 * REACH_MS)
        slices = [(line.rows.index(outer[0]), line.rows.index(outer[1], "right")) for line in lines]
        reasons = screen([line.rows.raw(*rows) for line, rows in zip(lines, slices, strict=True)])
        found: list[tuple[SensorLine, Window]] = []
        for line, (low, _), judged in zip(lines, slices, reasons, strict=True):
            first, last = line.rows.index(inner[0]), line.rows.index(inner[1], "right")
            rows = line.rows.judge(first, judged[first - low : last - low])
            if len(rows):
                found.append((line, (int(line.rows.at[rows[0]]), int(line.rows.at[rows[-1]]))))
        return found


def merged(windows: Iterable[Window], near_ms: int) -> list[Window]:
    """Windows that overlap, or lie nearer than ``near_ms``, become one."""
    joined: list[Window] = []
    for start, end in sorted(set(windows)):
        if joined and start - joined[-1][1] <= near_ms:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return joined


def _without_good_between(line: SensorLine, windows: Iterable[Window]) -> list[Window]:
    """Windows between which no good reading stands become one: what joined them before may be gone."""
    joined: list[Window] = []
    for start, end in windows:
        if joined:
            good = line.rows.good_from(line.rows.index(joined[-1][1], "right"))
            if good is None or line.rows.at[good] >= start:
                joined[-1] = (joined[-1][0], end)
                continue
        joined.append((start, end))
    return joined


def _by_depth(depth: str) -> tuple[float, str]:
    try:
        return float(depth), depth
    except ValueError:
        return float("inf"), depth
