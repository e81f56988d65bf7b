"""The biosolids time-temperature equations as an index of logged heat: information only, never a pass.

Source: 40 CFR 503.32(a)(3), read in 15A NCAC 02T .1106, which copies it. D days at t °C, t >= 50:
D1 = 131 700 000 / 10^(0.1400 t), at least 20 min (7 % solids or more); D2 = 50 070 000 / 10^(0.1400 t), at least 30 min.
The equations speak of held, even temperature; guidance on them excludes composting from this alternative.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from shared.times import DAY, MINUTE

FROM_C = 50.0
SLOPE = 0.1400
DOSE_UNIT = 1e-12  # one line's dose is kept in whole units of this, so that sums do not hang on their order


@dataclass(frozen=True, slots=True)
class Equation:
    days_at_zero_c: float
    least_ms: int

    @property
    def floor_c(self) -> float:
        """From here on the least time applies."""
        return _floor_c(self)

    def hold_ms(self, celsius: float) -> float | None:
        """How long one whole dose takes at ``celsius``; None under 50 °C, where the equation does not apply."""
        if celsius < FROM_C:
            return None
        return max(self.days_at_zero_c * DAY / 10 ** (SLOPE * celsius), float(self.least_ms))


@cache
def _floor_c(equation: Equation) -> float:
    return float(np.log10(equation.days_at_zero_c * DAY / equation.least_ms)) / SLOPE


D1 = Equation(131_700_000.0, 20 * MINUTE)
D2 = Equation(50_070_000.0, 30 * MINUTE)


def line_doses(
    at: NDArray[np.int64], celsius: NDArray[np.float64], joined: NDArray[np.bool_], equation: Equation = D1
) -> NDArray[np.int64]:
    """Integral of dt / D(T(t)) along each straight line where T >= 50 °C, in whole ``DOSE_UNIT``; shape (n - 1,)."""
    doses = np.zeros(max(len(at) - 1, 0), dtype=np.int64)
    warm = np.flatnonzero(joined & (np.maximum(celsius[:-1], celsius[1:]) >= FROM_C))
    if not len(warm):
        return doses
    length = (at[warm + 1] - at[warm]).astype(np.float64)
    low = np.minimum(celsius[warm], celsius[warm + 1])
    high = np.maximum(celsius[warm], celsius[warm + 1])
    rise = high - low
    steep = rise > 0
    per_k = np.divide(length, rise, out=np.zeros_like(length), where=steep)  # ms a kelvin
    top = equation.floor_c
    from_c, to_c = np.clip(low, FROM_C, top), np.clip(high, FROM_C, top)
    at_low = 10 ** (SLOPE * from_c) / (equation.days_at_zero_c * DAY)  # doses a ms
    log_slope = SLOPE * np.log(10.0)
    sloping = per_k * at_low * np.expm1(log_slope * (to_c - from_c)) / log_slope
    over_top = per_k * np.maximum(high - np.maximum(low, top), 0.0) / equation.least_ms
    level = np.where(low >= FROM_C, length * np.minimum(at_low, 1 / equation.least_ms), 0.0)
    doses[warm] = np.rint(np.where(steep, sloping + over_top, level) / DOSE_UNIT).astype(np.int64)
    return doses
