"""What a probe in the field does, by a seed: it measures, sleeps, loses its connection, fills in later, drifts, fails.

Time here is true time; what stands in a message is the probe's own clock. Nothing is published here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np

from deploy.simulator import senml_pack
from shared.pile_model.parameters import draw
from shared.pile_model.probes import SimulatedProbe
from shared.pile_model.simulation import Simulation
from shared.pile_model.weather import STEP_S, draw_weather
from shared.times import DAY, HOUR, MINUTE, Millis

Fault = Literal["power_on", "disconnected", "failed", "stuck", "pulled_out", "dropout"]
FAULTS: Final = get_args(Fault)
_SINGLE: Final[dict[str, float]] = {"power_on": 85.0, "disconnected": -127.0, "failed": 127.94}
"""Single wrong values, as one-wire sensors give them: domain values of ``shared.heat.screening``."""
_SINGLE_SHARE, _DROPOUT_SHARE = 0.01, 0.05
_OUT_MS: Final = 2 * HOUR
_FIRST_BATTERY: Final = 96.0
_BATTERY_PER_DAY: Final = 0.3
_BUILT_DAYS_AGO: Final = 3
_MOST_IN_A_PACK: Final = 500  # measurements: a long outage is filled in by several messages


@dataclass(frozen=True, slots=True)
class Habits:
    """``sleep`` = how many measurements it keeps before it connects and sends them in one message."""

    depths_cm: tuple[float, ...] = (15.0, 45.0, 75.0)
    interval_ms: int = 10 * MINUTE
    sleep: int = 1
    outage_every_ms: int | None = None  # from the end of one to the beginning of the next
    outage_ms: int = 6 * HOUR
    drift_ppm: float = 0.0  # its clock gains so much (loses, when negative), from right at the beginning
    faults: frozenset[Fault] = frozenset()
    seed: int = 7


@dataclass(frozen=True, slots=True)
class Sending:
    """One message; ``at`` is when it goes out."""

    at: Millis
    payload: bytes


def messages(probe: str, habits: Habits, begin: Millis, end: Millis) -> Iterator[Sending]:
    """All that it sends from ``begin`` to ``end``, ascending, from a pile that has been heating for some days."""
    kept: list[tuple[Millis, dict[float, float]]] = []
    dice = np.random.default_rng([habits.seed, 1])
    for number, (at, values) in enumerate(_measured(probe, habits, begin, end)):
        if values:
            own_clock = at + round((at - begin) * habits.drift_ppm / 1e6)
            kept.append((Millis(own_clock), values))
        if (number + 1) % habits.sleep or _is_out(habits, at - begin):
            continue
        battery = max(1.0, _FIRST_BATTERY - _BATTERY_PER_DAY * (at - begin) / DAY)
        signal = float(dice.normal(-88.0, 4.0))
        for first in range(0, len(kept), _MOST_IN_A_PACK):
            some = kept[first : first + _MOST_IN_A_PACK]
            yield Sending(at, senml_pack(probe, some, battery_percent=battery, rssi_dbm=signal))
        kept.clear()


def _is_out(habits: Habits, since_ms: int) -> bool:
    """Out of reach of the broker; it measures on."""
    if habits.outage_every_ms is None:
        return False
    return since_ms % (habits.outage_every_ms + habits.outage_ms) >= habits.outage_every_ms


def _measured(
    probe: str, habits: Habits, begin: Millis, end: Millis
) -> Iterator[tuple[Millis, dict[float, float]]]:
    rng = np.random.default_rng(habits.seed)
    weather = draw_weather((end - begin) / DAY + _BUILT_DAYS_AGO + 1, rng, mean_c=14.0)
    pile = Simulation([draw("caged", rng)], weather)
    device = SimulatedProbe(probe, 0, habits.depths_cm, np.random.default_rng([habits.seed, 0]))
    faults = _Faults(habits, begin, end)
    for at in range(begin + habits.interval_ms, end + 1, habits.interval_ms):
        while pile.step_index * STEP_S * 1000 < at - begin + _BUILT_DAYS_AGO * DAY:
            pile.step()
        device.pulled_out = faults.is_pulled_out(at)
        yield Millis(at), faults.spoil(at, device.read(pile))


class _Faults:
    """Which of them strike when: singles now and then, ``stuck`` from the middle on at the first depth, ``pulled_out``
    for two hours at two thirds."""

    def __init__(self, habits: Habits, begin: Millis, end: Millis) -> None:
        self._habits = habits
        self._dice = np.random.default_rng([habits.seed, 2])
        self._stuck_from = begin + (end - begin) // 2
        self._out_from = begin + (end - begin) * 2 // 3
        self._stuck_at: float | None = None
        self._singles = sorted(_SINGLE.keys() & habits.faults)

    def is_pulled_out(self, at: int) -> bool:
        return "pulled_out" in self._habits.faults and 0 <= at - self._out_from < _OUT_MS

    def spoil(self, at: int, values: dict[float, float]) -> dict[float, float]:
        first = self._habits.depths_cm[0]
        if "stuck" in self._habits.faults and at >= self._stuck_from:
            self._stuck_at = values[first] if self._stuck_at is None else self._stuck_at
            values[first] = self._stuck_at
        spoilt: dict[float, float] = {}
        for depth, value in values.items():
            lost, single = self._dice.random() < _DROPOUT_SHARE, self._dice.random() < _SINGLE_SHARE
            if lost and "dropout" in self._habits.faults:
                continue
            if single and self._singles:
                value = _SINGLE[self._singles[int(self._dice.integers(len(self._singles)))]]  # noqa: PLW2901
            spoilt[depth] = value
        return spoilt
