"""Air, wind and rain around the piles, seeded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

STEP_S = 300


@dataclass(frozen=True, slots=True)
class Weather:
    """Three arrays of one length, one entry per 300 s from the start."""

    air_c: NDArray[np.float64]
    wind_m_s: NDArray[np.float64]
    rain_mm_h: NDArray[np.float64]

    def at(self, step: int) -> tuple[float, float, float]:
        index = min(step, len(self.air_c) - 1)
        return float(self.air_c[index]), float(self.wind_m_s[index]), float(self.rain_mm_h[index])


def draw_weather(
    days: float,
    rng: np.random.Generator,
    *,
    mean_c: float | None = None,
    start_hour: float = 0.0,
) -> Weather:
    """Daily swing 3-7 K, slow weather as a first-order process of 2.8 K over 3 days, showers, gusts (choices).

    ``start_hour``: local hour of the first step; the warmest hour is 15.
    """
    steps = int(days * 86400 / STEP_S) + 1
    mean = float(rng.uniform(6, 22)) if mean_c is None else mean_c
    swing = float(rng.uniform(3, 7))
    hours = start_hour + np.arange(steps) * STEP_S / 3600.0
    keep = float(np.exp(-STEP_S / (3 * 86400.0)))
    kicks = rng.normal(0.0, 2.8 * np.sqrt(1 - keep**2), steps)
    slow = np.empty(steps)
    level = float(rng.normal(0, 2.8))
    for index, kick in enumerate(kicks):
        level = keep * level + kick
        slow[index] = level
    air = mean + slow + swing * np.cos(2 * np.pi * (hours - 15.0) / 24.0)
    rain, wind = np.zeros(steps), np.full(steps, 2.0)
    per_day = 86400 // STEP_S
    for start in np.flatnonzero(rng.random(steps) < 0.22 / per_day):
        rain[start : start + int(rng.integers(6, 60))] = rng.uniform(0.5, 6.0)
    for start in np.flatnonzero(rng.random(steps) < 0.15 / per_day):
        wind[start : start + int(rng.integers(6, 72))] = rng.uniform(5.0, 11.0)
    return Weather(air, wind, rain)
