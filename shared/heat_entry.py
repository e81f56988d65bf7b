"""One pile in the book: its engine, what it still has to read, and what a curve is drawn from."""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from shared.heat.engine import PileHeat
from shared.piles import FieldNote, Pile, Placement, Turn
from shared.readings import Curve, SensorKey
from shared.times import Millis


@dataclass(frozen=True, slots=True, eq=False)
class SensorHistory:
    """One sensor in one placement: instants, calibrated °C, and a ``screening.Reason`` code for each reading."""

    key: SensorKey
    placement: Placement
    at: NDArray[np.int64]
    celsius: NDArray[np.float64]
    reason: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class PileHistory:
    """What a heat curve is drawn from."""

    pile: Pile
    sensors: tuple[SensorHistory, ...]
    turns: tuple[Turn, ...]
    notes: tuple[FieldNote, ...]


@dataclass(slots=True)
class Entry:
    """An engine (``lock`` is its), and from which instant on each sensor has to be read again (the book's lock)."""

    heat: PileHeat
    stale: dict[SensorKey, Millis]
    lock: Lock = field(default_factory=Lock)

    def mark(self, sensor: SensorKey, since: Millis) -> None:
        self.stale[sensor] = Millis(min(since, self.stale.get(sensor, since)))

    def take(self, now: Millis | None) -> list[tuple[SensorKey, Millis]]:
        """What has to be read by ``now`` (None = all of it); it counts as read."""
        taken = [(sensor, since) for sensor, since in self.stale.items() if now is None or since <= now]
        for sensor, _ in taken:
            del self.stale[sensor]
        return taken

    def hold(self, sensor: SensorKey, since: Millis, curve: Curve, now: Millis | None) -> Millis | None:
        """Give the engine what ``curve`` has from ``since`` to ``now``; gives the instant of the first one later."""
        start = int(curve.at.searchsorted(since))
        end = len(curve) if now is None else int(curve.at.searchsorted(now, "right"))
        some = slice(start, max(start, end))
        self.heat.hold(sensor, since, Curve(curve.at[some], curve.value[some], curve.mark[some]))
        return Millis(int(curve.at[end])) if end < len(curve) else None

    def first_after(self, now: Millis) -> Millis | None:
        """The instant of the first reading in the engine that is later, good or not."""
        lines = [line.rows.at for stand in self.heat.stands for line in stand.lines.values()]
        later = [int(at[at.searchsorted(now, "right")]) for at in lines if len(at) and at[-1] > now]
        return Millis(min(later)) if later else None

    def history(self) -> PileHistory:
        heat = self.heat
        heat.refresh()
        sensors = tuple(
            SensorHistory(key, placement, at, celsius, reason)
            for stand in heat.stands
            for key, placement, at, celsius, reason in stand.history()
        )
        return PileHistory(heat.facts.pile, sensors, heat.facts.turns, heat.facts.notes)
