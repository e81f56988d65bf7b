"""What verdicts (rules, risk, turning, phase) may ask of a pile's sums. ``shared.heat.engine.PileHeat`` answers it."""

from __future__ import annotations

from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from shared.heat.facts import PileFacts
from shared.piles import Zone
from shared.times import Millis

Which = Literal["hottest", "coldest"]
AnyZone = Zone | Literal["all"]
"""``all`` = every placed sensor except those in the air."""
Stretches = NDArray[np.int64]
"""Shape (n, 2): closed stretches [start, end] in ms, ascending, apart from each other, each longer than zero."""


class HeatView(Protocol):
    """The lines of a pile's sensors as they stand; nothing here asks for the present."""

    @property
    def facts(self) -> PileFacts: ...
    @property
    def max_gap_ms(self) -> int: ...

    def intervals(self, threshold_c: float, which: Which, zone: AnyZone | None = None) -> Stretches:
        """When the hottest (any sensor of the zone) or the coldest (every placed one, all known) is at or over
        ``threshold_c``. No zone = core. Do not write into the answer."""

    def known(self, zone: AnyZone | None = None, which: Which = "coldest") -> Stretches:
        """When every placed sensor of the zone (``coldest``) or any of them (``hottest``) is known."""

    def peak(
        self,
        which: Which,
        zone: AnyZone | None = None,
        *,
        after: Millis | None = None,
        until: Millis | None = None,
    ) -> tuple[float, Millis] | None:
        """The highest value within (after, until] and the first instant of it; None = nothing known."""

    def latest(self, which: Which, now: Millis, zone: AnyZone | None = None) -> tuple[float, Millis] | None:
        """The value now and how old it is (the oldest reading it rests on). None = unknown: a reading over max_gap
        old, or from before the last turn or move, says nothing of now; for ``coldest`` one such sensor is enough."""

    def zones(self) -> frozenset[Zone]:
        """Zones in which a sensor was ever placed."""

    def readings(
        self, zone: AnyZone | None = None, *, after: Millis, until: Millis
    ) -> list[tuple[str, str, NDArray[np.int64], NDArray[np.float64]]]:
        """Good calibrated readings within (after, until], per placed sensor: probe, depth, instants, °C."""


def within(stretches: Stretches, at: int) -> bool:
    """Whether ``at`` lies in one of ``stretches``, its end not counted."""
    place = int(stretches[:, 0].searchsorted(at, "right")) - 1
    return place >= 0 and at < int(stretches[place, 1])
