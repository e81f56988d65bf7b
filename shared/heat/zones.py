"""The hottest and the coldest of the sensors of a zone: unions and intersections, renewed a window at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from shared.heat.curve import SensorLine, Window
from shared.heat.spans import FOREVER, NOTHING, Spells, clipped, complement, intersection, union
from shared.heat.view import Stretches, Which

LANE = 1 << 47  # each threshold's stretches lie on a lane of their own, so that one pass serves all


class ZoneLines:
    """``members``: the lines of a zone, each with the spans in which the coldest asks it."""

    def __init__(self, members: Sequence[tuple[SensorLine, Stretches]], silent: Sequence[Stretches]) -> None:
        self.members = members
        self.silent = silent  # where a placed probe that never spoke leaves the coldest unknown
        self._asked = union([*(asked for _, asked in members), *silent])
        self.spells: dict[Which, dict[float, Spells]] = {"hottest": {}, "coldest": {}}

    @property
    def lines(self) -> list[SensorLine]:
        return [line for line, _ in self.members]

    def add_thresholds(self, thresholds_c: Sequence[float]) -> None:
        """All of them in one pass, each on a lane of its own."""
        fresh = [one for one in thresholds_c if one not in self.spells["hottest"]]
        if not fresh:
            return
        for line in self.lines:
            line.add_thresholds(fresh)
        held = [_all_lanes(line, fresh) for line in self.lines]
        found: tuple[tuple[Which, Stretches], ...] = (
            ("hottest", union(held)),
            ("coldest", self._coldest(held, 0, FOREVER, len(fresh))),
        )
        for which, flat in found:
            lanes = np.split(flat, np.searchsorted(flat[:, 0], LANE * np.arange(1, len(fresh))))
            for lane, (threshold_c, stretches) in enumerate(zip(fresh, lanes, strict=True)):
                self.spells[which][threshold_c] = Spells(stretches - lane * LANE)

    def renew(self, windows: Iterable[Window]) -> None:
        thresholds = list(self.spells["hottest"])
        for start, end in windows:
            held = [_lanes(line, thresholds, start, end) for line in self.lines]
            self._replace("hottest", thresholds, start, end, union(held))
            self._replace("coldest", thresholds, start, end, self._coldest(held, start, end, len(thresholds)))

    def _coldest(self, held: Sequence[Stretches], start: int, end: int, lanes: int) -> Stretches:
        """Where every line that is asked holds, and at least one is asked; ``held`` within [start, end], on lanes."""
        filled: list[Stretches] = []
        for stretches, (_, asked) in zip(held, self.members, strict=True):
            if _throughout(asked, start, end):
                filled.append(stretches)
            else:
                free = complement(asked, start, end)
                filled.append(union([stretches, on_lanes(free, start, lanes)]))
        filled += [on_lanes(complement(asked, start, end), start, lanes) for asked in self.silent]
        if not _throughout(self._asked, start, end):
            filled.append(on_lanes(clipped(self._asked, start, end), start, lanes))
        return intersection(filled)

    def _replace(
        self, which: Which, thresholds: Sequence[float], start: int, end: int, flat: Stretches
    ) -> None:
        lane = flat[:, 0] // LANE
        pieces: list[list[tuple[int, int]]] = [[] for _ in thresholds]
        for row, (begin, finish) in zip(
            lane.tolist(), (flat - lane[:, None] * LANE + start).tolist(), strict=True
        ):
            pieces[row].append((begin, finish))
        spells = self.spells[which]
        for threshold_c, some in zip(thresholds, pieces, strict=True):
            spells[threshold_c].replace(start, end, some)


def on_lanes(stretches: Stretches, start: int, lanes: int) -> Stretches:
    """The same stretches on every lane, counted from ``start``."""
    base = np.arange(lanes, dtype=np.int64) * LANE - start
    return (stretches[None, :, :] + base[:, None, None]).reshape(-1, 2)


def _throughout(asked: Stretches, start: int, end: int) -> bool:
    return len(asked) == 1 and bool(asked[0, 0] <= start) and bool(end <= asked[0, 1])


def _lanes(line: SensorLine, thresholds: Sequence[float], start: int, end: int) -> Stretches:
    found = [
        (lane * LANE + a - start, lane * LANE + b - start)
        for lane, threshold_c in enumerate(thresholds)
        for a, b in line.spells[threshold_c].within(start, end)
    ]
    return np.array(found, dtype=np.int64).reshape(-1, 2) if found else NOTHING


def _all_lanes(line: SensorLine, thresholds: Sequence[float]) -> Stretches:
    return np.concatenate(
        [line.spells[threshold_c].stretches() + lane * LANE for lane, threshold_c in enumerate(thresholds)]
    )
