"""Ways to follow a pile's temperature, one step of half an hour at a time. Plain floats: a step costs microseconds.

``Trend``: level and slope, the slope dying away; gives the level without its noise. ``Lumped``: heat made by biology
that saturates, heat lost to the air; its states are estimated as readings come (an extended Kalman filter).
Every figure was chosen on simulated piles of seeds that the evaluation does not use.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import exp, log

STEP_H = 0.5
AIR_C = 15.0  # the air is not known everywhere; how fast the pile loses heat is estimated, and takes up the difference
NOISE_C2 = 0.06  # variance of a half-hour mean


@dataclass(slots=True)
class Trend:
    """Local linear trend with damping; ``fade_h`` = how long a slope lasts. Variances per half hour."""

    fade_h: float = 6.6
    drift_level: float = 6e-3
    drift_slope: float = 8.1e-4
    level: float = 0.0
    slope: float = 0.0  # K/h
    p_ll: float = 400.0
    p_ls: float = 0.0
    p_ss: float = 0.5

    def go_on(self) -> None:
        keep = exp(-STEP_H / self.fade_h)
        reach = self.fade_h * (1.0 - keep)
        self.level += self.slope * reach
        self.slope *= keep
        self.p_ll += 2.0 * reach * self.p_ls + reach * reach * self.p_ss + self.drift_level
        self.p_ls = keep * (self.p_ls + reach * self.p_ss)
        self.p_ss = keep * keep * self.p_ss + self.drift_slope

    def see(self, celsius: float) -> None:
        gain = self.p_ll / (self.p_ll + NOISE_C2)
        gain_slope = self.p_ls / (self.p_ll + NOISE_C2)
        off = celsius - self.level
        self.level += gain * off
        self.slope += gain_slope * off
        self.p_ss -= gain_slope * self.p_ls
        self.p_ls *= 1.0 - gain
        self.p_ll *= 1.0 - gain

    def copy(self) -> Trend:
        return replace(self)

    def turned(self) -> None:
        self.slope = 0.0
        self.p_ll, self.p_ls, self.p_ss = 400.0, 0.0, 0.5


Rate = Callable[[float], float]
"""0-1 from the temperature, for one upper limit of life."""


def cardinal(t_max: float) -> Rate:
    """Mesophiles and thermophiles together, as ``activity`` in shared.pile_model.physics."""
    slope, least = _bottom(12.0, 55.0, t_max)

    def rate(t: float) -> float:
        value = 0.0
        if 1.0 < t < 50.0:
            value = 0.5 * (t - 50.0) * (t - 1.0) ** 2 / (MESO_SLOPE * t + MESO_LEAST)
        if 12.0 < t < t_max:
            value += (t - t_max) * (t - 12.0) ** 2 / (slope * t + least)
        return min(1.0, value)

    return rate


def _bottom(low: float, best: float, high: float) -> tuple[float, float]:
    """What the cardinal model divides by: this times t, plus that."""
    up = best - low
    return up * (up + 2.0 * (best - high)), -up * (up * best + (best - high) * (best + low))


MESO_SLOPE, MESO_LEAST = _bottom(1.0, 37.0, 50.0)


def square_root(t_max: float) -> Rate:
    """The square-root model of Ratkowsky et al. 1983 (from memory, unverified), from 5 °C to 2 K over ``t_max``."""
    span = max(t_max - 3.0, 1.0)

    def rate(t: float) -> float:
        x = (t - 5.0) / span
        if x <= 0.0 or x >= 1.0:
            return 0.0
        return (x * (1.0 - exp(12.0 * (x - 1.0)))) ** 2 / SQUARE_ROOT_TOP

    return rate


SQUARE_ROOT_TOP = 0.52923  # of the unscaled square-root model

Q = (6e-3, 3e-3, 6e-4, 6e-3)  # what the four states drift by in half an hour, variances
FADE_H = 360.0  # what can rot grows less: a falls by 1/e in fifteen days
HOURLY_H = 12  # so far ahead by whole hours, then by two at a time
LN_A, LN_B, T_MAX = (-4.0, 2.0), (log(0.002), log(0.06)), (64.0, 84.0)


@dataclass(slots=True)
class Lumped:
    """dT/dt = a rate(T) - b (T - air), K/h; states T, ln a, ln b, t_max. ``p``: 4 x 4, row by row."""

    t: float = 20.0
    ln_a: float = log(1.2)
    ln_b: float = log(0.018)
    t_max: float = 72.0
    p: list[float] = field(default_factory=lambda: [1.0, 0, 0, 0, 0, 0.6, 0, 0, 0, 0, 0.15, 0, 0, 0, 0, 6.0])
    kinetics: Callable[[float], Rate] = cardinal

    def go_on(self) -> None:
        a, b = exp(self.ln_a), exp(self.ln_b)
        t, rate = self.t, self.kinetics(self.t_max)
        made = rate(t)
        slope = rate(t + 0.5) - rate(t - 0.5)
        by_max = self.kinetics(self.t_max + 0.5)(t) - self.kinetics(self.t_max - 0.5)(t)
        f = (
            1.0 + STEP_H * (a * slope - b),
            STEP_H * a * made,
            -STEP_H * b * (t - AIR_C),
            STEP_H * a * by_max,
        )
        p = self.p
        f0, f1, f2, f3 = f
        row = [f0 * p[j] + f1 * p[4 + j] + f2 * p[8 + j] + f3 * p[12 + j] for j in (0, 1, 2, 3)]
        p[0] = f0 * row[0] + f1 * row[1] + f2 * row[2] + f3 * row[3] + Q[0]
        for j in (1, 2, 3):
            p[j] = p[4 * j] = row[j]
        p[5] += Q[1]
        p[10] += Q[2]
        p[15] += Q[3]
        self.t = _moved(rate, t, a, b, STEP_H)
        self.ln_a -= STEP_H / FADE_H

    def see(self, celsius: float) -> None:
        p = self.p
        c0, c1, c2, c3 = column = p[0], p[4], p[8], p[12]
        total = c0 + NOISE_C2
        off = celsius - self.t
        gain = [one / total for one in column]
        at = 0
        for g in gain:
            p[at] -= g * c0
            p[at + 1] -= g * c1
            p[at + 2] -= g * c2
            p[at + 3] -= g * c3
            at += 4
        self.t += gain[0] * off
        self.ln_a = min(max(self.ln_a + gain[1] * off, LN_A[0]), LN_A[1])
        self.ln_b = min(max(self.ln_b + gain[2] * off, LN_B[0]), LN_B[1])
        self.t_max = min(max(self.t_max + gain[3] * off, T_MAX[0]), T_MAX[1])

    def copy(self) -> Lumped:
        return replace(self, p=self.p.copy())

    def turned(self) -> None:
        for j in (1, 2, 3):
            self.p[j] = self.p[4 * j] = 0.0
        self.p[0] = 400.0
        self.p[5] += 0.3

    def balanced(self, celsius: float) -> None:
        """Another place of the pile, of which nothing is known but that it is so warm: it stays so until it is seen."""
        lost = exp(self.ln_b) * max(celsius - AIR_C, 0.1)
        self.t, self.ln_a = (
            celsius,
            min(max(log(lost / max(self.kinetics(self.t_max)(celsius), 1e-3)), LN_A[0]), LN_A[1]),
        )

    def path(self, hours: int) -> list[float]:
        """°C now and after each whole hour; beyond ``HOURLY_H`` every second one lies between its neighbours."""
        t, b, ln_a = self.t, exp(self.ln_b), self.ln_a
        rate = self.kinetics(self.t_max)
        found = [t]
        for done in range(min(hours, HOURLY_H)):
            t = _moved(rate, t, exp(ln_a - (done + 0.5) / FADE_H), b, 1.0)
            found.append(t)
        for done in range(HOURLY_H, hours, 2):
            t = _moved(rate, t, exp(ln_a - (done + 1.0) / FADE_H), b, 2.0)
            found += (0.5 * (found[-1] + t), t)
        return found[: hours + 1]


def _moved(rate: Rate, t: float, a: float, b: float, hours: float) -> float:
    """°C after ``hours``, by the midpoint rule."""
    middle = t + 0.5 * hours * (a * rate(t) - b * (t - AIR_C))
    return t + hours * (a * rate(middle) - b * (middle - AIR_C))
