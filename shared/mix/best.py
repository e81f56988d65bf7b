"""The best mix of what is in the yard: least squares within bounds for C:N and moisture together, water allowed.

A miss is counted relative to its goal, and the two squares are added. Where both goals can be met there are many such
mixes: the largest (up to the size that was asked for) is taken, and of those the one that uses what there is evenly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.mix.material import Material
from shared.mix.recipe import Goal

Array = NDArray[np.float64]
NOTHING = 1e-6  # a mix smaller than this share of what there is, is none
SAME = 1e-4  # goals count as met within this share
BAND = 1e-7
STARTS = 12


@dataclass(frozen=True, slots=True)
class Bounded:
    """A material and how much of it may go in, in kg; both ends alike = the amount is given."""

    material: Material
    low_kg: float
    high_kg: float


@dataclass(frozen=True, slots=True)
class BestMix:
    """``moisture`` in %, with ``water_kg`` added. ``size_short``: the size asked for is out of reach at this C:N and
    moisture. ``alone``: whether each goal could be met if the other were none (None = there is no such goal)."""

    masses_kg: tuple[float, ...]
    water_kg: float
    ratio: float
    moisture: float
    met: bool
    size_short: bool
    ratio_alone: bool | None
    moisture_alone: bool | None


def best_mix(bounded: Sequence[Bounded], goal: Goal) -> BestMix | None:
    """None when there is nothing to choose from. Every material needs moisture, carbon and nitrogen; ValueError else.

    A goal of ``volume_l`` needs every bulk density.
    """
    yard = _Yard(bounded, goal)
    ratio, moisture = goal.carbon_to_nitrogen, goal.moisture_percent
    found = yard.largest(ratio, moisture)
    met = found is not None
    alone: tuple[bool | None, bool | None] = (
        None if ratio is None else met,
        None if moisture is None else met,
    )
    if found is None:
        alone = (
            None if ratio is None else yard.largest(ratio, None) is not None,
            None if moisture is None else yard.largest(None, moisture) is not None,
        )
        found = yard.nearest(ratio, moisture)
    if found is None:
        return None
    at_ratio, at_moisture = yard.figures(found)
    return BestMix(
        masses_kg=tuple(float(mass) * yard.scale for mass in found[:-1]),
        water_kg=float(found[-1]) * yard.scale,
        ratio=at_ratio,
        moisture=at_moisture,
        met=met,
        size_short=yard.target is not None and yard.size(found) < yard.target * (1 - 1e-3),
        ratio_alone=alone[0],
        moisture_alone=alone[1],
    )


class _Yard:
    """Masses as shares of all there is; the last variable is the water to add."""

    def __init__(self, bounded: Sequence[Bounded], goal: Goal) -> None:
        self.goal = goal
        self.scale = sum(one.high_kg for one in bounded) or 1.0
        self.low = np.array([one.low_kg for one in bounded]) / self.scale
        self.high = np.array([one.high_kg for one in bounded]) / self.scale
        wet, carbon, nitrogen, per_kg = [], [], [], []
        for one in bounded:
            item = one.material
            if item.moisture is None or item.carbon is None or item.nitrogen is None:
                raise ValueError(f"{item.name}: {', '.join(item.missing())}")
            dry = (100.0 - item.moisture) / 100.0
            wet.append(item.moisture)
            carbon.append(dry * item.carbon)
            nitrogen.append(dry * item.nitrogen)
            if goal.volume_l is not None and not item.density:
                raise ValueError(f"{item.name}: bulk density")
            per_kg.append(1000.0 / item.density if goal.volume_l is not None and item.density else 1.0)
        self.wet, self.carbon, self.nitrogen = np.array(wet), np.array(carbon), np.array(nitrogen)
        self.per_kg = np.array(per_kg)
        wanted = goal.volume_l if goal.volume_l is not None else goal.mass_kg
        self.target = None if wanted is None else wanted / self.scale

    def size(self, found: Array) -> float:
        return float(found[:-1] @ self.per_kg)

    def figures(self, found: Array) -> tuple[float, float]:
        """C:N and moisture."""
        masses, water = found[:-1], float(found[-1])
        nitrogen = float(masses @ self.nitrogen)
        total = float(masses.sum()) + water
        ratio = float(masses @ self.carbon) / nitrogen if nitrogen > 0 else float("inf")
        return ratio, (float(masses @ self.wet) + 100.0 * water) / total if total > 0 else 0.0

    def largest(self, ratio: float | None, moisture: float | None) -> Array | None:
        """The largest mix (up to the target) of exactly this C:N and moisture, evenly taken; None = there is none."""
        rows = []
        if ratio is not None:
            rows.append(np.append(self.carbon - ratio * self.nitrogen, 0.0))
        if moisture is not None:
            rows.append(np.append(self.wet - moisture, 100.0 - moisture))
        rows = [row / (np.abs(row).max() or 1.0) for row in rows]
        size = np.append(self.per_kg, 0.0)
        most = _solve(-size, rows, self._bounds(), [(size, self.target)])
        if most is None or self.size(most) < NOTHING * float(self.per_kg @ self.high):
            return None
        even = self._evenly(rows, size, self.size(most))
        found = most if even is None else even
        at_ratio, at_moisture = self.figures(found)
        fits = (ratio is None or abs(at_ratio / ratio - 1) <= SAME) and (
            moisture is None or abs(at_moisture / moisture - 1) <= SAME
        )
        return found if fits else None

    def _evenly(self, rows: Sequence[Array], size: Array, reached: float) -> Array | None:
        """Of the mixes of that size the one whose largest share of what there is, is smallest."""
        chosen = np.flatnonzero(self.high > self.low)
        wider = [np.append(row, 0.0) for row in rows]
        limits: list[tuple[Array, float | None]] = []
        for index in chosen:
            row = np.zeros(len(size) + 1)
            row[index], row[-1] = 1.0, -self.high[index]
            limits.append((row, 0.0))
        limits.append((np.append(-size, 0.0), -reached * (1 - BAND)))
        limits.append((np.append(size, 0.0), self.target))
        cost = np.zeros(len(size) + 1)
        cost[-1] = 1.0
        found = _solve(cost, wider, [*self._bounds(), (0.0, 1.0)], limits)
        return None if found is None else found[:-1]

    def _bounds(self) -> list[tuple[float, float | None]]:
        masses: list[tuple[float, float | None]] = list(
            zip(self.low.tolist(), self.high.tolist(), strict=True)
        )
        return [*masses, (0.0, None if self.goal.moisture_percent is not None else 0.0)]

    def nearest(self, ratio: float | None, moisture: float | None) -> Array | None:
        """The mix with the smallest sum of squared relative misses, then the largest of its kind."""
        from scipy.optimize import minimize  # noqa: PLC0415  # see _solve

        chosen = np.flatnonzero(self.high > self.low)
        if not len(chosen):
            return np.append(self.high, 0.0) if self.high.sum() > 0 else None
        watered = moisture is not None
        low = np.append(self.low[chosen], 0.0) if watered else self.low[chosen]
        high = np.append(self.high[chosen], 10.0) if watered else self.high[chosen]

        def whole(some: Array) -> Array:
            found = np.append(self.high, 0.0)
            found[chosen] = some[: len(chosen)]
            found[-1] = some[-1] if watered else 0.0
            return found

        def misses(some: Array) -> float:
            at_ratio, at_moisture = self.figures(whole(some))
            off = 0.0 if ratio is None else min(at_ratio, 1e6) / ratio - 1
            return off * off + (0.0 if moisture is None else (at_moisture / moisture - 1) ** 2)

        bounds = list(zip(low.tolist(), high.tolist(), strict=True))
        best: tuple[float, Array] | None = None
        for start in self._starts(low, high, len(chosen)):
            tried = minimize(
                misses, start, bounds=bounds, method="SLSQP", options={"ftol": 1e-15, "maxiter": 300}
            )
            some = np.clip(tried.x, low, high)
            cost = misses(some)
            if best is None or cost < best[0] - 1e-12:
                best = (cost, whole(some))
        if best is None:
            return None
        return self._grown(best[1])

    def _grown(self, found: Array) -> Array:
        """The same proportions, as much of them as there is, up to the target; a given amount fixes the size."""
        masses = found[:-1]
        found = np.where(np.append((masses < NOTHING * masses.sum()) & (self.low == 0), False), 0.0, found)
        used = found[:-1] > 0
        if self.low.any() or not used.any():
            return found
        factor = float((self.high[used] / found[:-1][used]).min())
        if self.target is not None:
            factor = min(factor, self.target / self.size(found))
        return found * factor

    def _starts(self, low: Array, high: Array, materials: int) -> list[Array]:
        """Inside the bounds: half of everything, and mostly one thing after the other."""
        edge = (high - low) * 1e-3
        starts = [low + (high - low) * 0.5]
        order = np.argsort(-(high - low)[:materials])[: STARTS - 1]
        for index in order:
            mostly = low + edge
            mostly[index] = high[index] - edge[index]
            starts.append(mostly)
        return starts


def _solve(
    cost: Array,
    rows: Sequence[Array],
    bounds: Sequence[tuple[float, float | None]],
    limits: Sequence[tuple[Array, float | None]],
) -> Array | None:
    """Least ``cost`` with every row at 0 and every limit kept."""
    from scipy.optimize import linprog  # noqa: PLC0415  # a tenth of the service's start, and few ever ask

    upper = [(row, limit) for row, limit in limits if limit is not None]
    solved = linprog(
        cost,
        A_ub=np.array([row for row, _ in upper]) if upper else None,
        b_ub=np.array([limit for _, limit in upper]) if upper else None,
        A_eq=np.array(rows) if rows else None,
        b_eq=np.zeros(len(rows)) if rows else None,
        bounds=list(bounds),
        method="highs",
    )
    return np.asarray(solved.x, dtype=np.float64) if solved.success else None
