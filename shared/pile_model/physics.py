"""The rates of a composting pile. Arrays broadcast; temperatures in °C, densities in kg/m3, rates per second."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

HEAT_OF_REACTION = 19e6  # J per kg of degradable solids; from memory, unverified
OXYGEN_PER_KG = 1.35  # kg O2 per kg of degradable solids; from memory, unverified
WATER_PER_KG = 0.45  # kg metabolic water per kg of degradable solids; from memory, unverified
LATENT_HEAT = 2.36e6  # J/kg
AIR_HEAT = 1005.0  # J/kgK
ACTIVATION_J_MOL = 100e3  # of the chemical oxidation; from memory, unverified
GAS_CONSTANT = 8.314
HAUG_END_C, HAUG_PEAK = (
    80.2,
    17.93,
)  # where Haug's curve comes to nothing, and its height at 71.6 °C; computed


def between(value: Array, least: float, most: float) -> Array:
    """``np.clip`` in a third of its time, which counts for arrays of this size."""
    return np.minimum(np.maximum(value, least), most)


def cardinal(t: Array, low: float, best: float, high: Array | float) -> Array:
    """Cardinal temperature model with inflection: 0 outside (low, high), 1 at ``best``.

    Source: Rosso et al. 1993, in the form g(T; a, o, b) of the growth-model literature.
    """
    alive = (t > low) & (t < high)
    top = (t - high) * (t - low) ** 2
    bottom = (best - low) * ((best - low) * (t - best) - (best - high) * (best + low - 2 * t))
    return between(np.divide(top, bottom, out=np.zeros_like(t), where=alive), 0.0, 1.0)


def activity(t: Array, t_max: Array) -> Array:
    """Mesophiles and thermophiles together, 0-1. Optima 37 and 55 °C: from memory, unverified."""
    return np.minimum(1.0, 0.5 * cardinal(t, 1.0, 37.0, 50.0) + cardinal(t, 12.0, 55.0, t_max))


def activity_haug(t: Array, t_max: Array) -> Array:
    """Haug's rate curve, 1 at its peak, moved so that it ends 3 K over ``t_max``: another shape for the same biology,
    to try the outlook on kinetics that it does not assume. Coefficients from memory, unverified."""
    own = t + HAUG_END_C - (t_max + 3.0)
    rate = 1.066 ** (own - 20.0) - 1.21 ** (own - 60.0)
    return np.where(t > 1.0, between(rate / HAUG_PEAK, 0.0, 1.0), 0.0)


def moisture_factor(moisture: Array) -> Array:
    """0.97 at 0.60, 0.50 at 0.40, 0.15 at 0.30. After Haug 1993; from memory, unverified."""
    return 1.0 / (1.0 + np.exp(-17.684 * moisture + 7.0622))


def air_space(dry: Array, water: Array) -> Array:
    """Free air space, 0-1, from particle density 1550 and water 1000 kg/m3 (from memory, unverified)."""
    return between(1.0 - dry / 1550.0 - water / 1000.0, 0.02, 1.0)


def air_space_factor(free: Array) -> Array:
    """0.97 at 0.30, 0.78 at 0.20, 0.24 at 0.10. After Haug 1993; from memory, unverified."""
    return 1.0 / (1.0 + np.exp(-23.675 * free + 3.4945))


def oxygen_percent(air: Array, full_demand: Array) -> Array:
    """Steady oxygen where supply meets a demand of ``full_demand`` kg O2/m3/s times y/(2+y). Closed form, 0-21."""
    a = 0.232 * air / 21.0
    b = full_demand - 19.0 * a
    return between((-b + np.sqrt(b * b + 168.0 * a * a)) / (2.0 * a), 0.0, 21.0)


def saturation_ratio(t: Array | float) -> Array:
    """kg of water vapour per kg of dry air at saturation (Magnus form; coefficients from memory, unverified)."""
    pressure = 610.94 * np.exp(17.625 * np.asarray(t) / (np.asarray(t) + 243.04))
    return np.asarray(0.622 * pressure / np.maximum(101325.0 - pressure, 5000.0))


def conductivity(dry: Array, water: Array) -> Array:
    """W/mK, linear in moisture and density: the form of Ahn, Sauer, Richard, Glanville 2009; coefficients chosen."""
    return 0.10 + 0.55 * water / 1000.0 + 0.0004 * dry


def heat_capacity(dry: Array, water: Array) -> Array:
    """J/m3K; same form and source."""
    return 1300.0 * dry + 4190.0 * water


def chemical_heat(t: Array, at_80: Array) -> Array:
    """W/m3 of chemical oxidation, Arrhenius from its value at 80 °C, capped at 95 °C (water still boils it off)."""
    kelvin = np.minimum(t, 95.0) + 273.15
    return at_80 * np.exp(-ACTIVATION_J_MOL / GAS_CONSTANT * (1.0 / kelvin - 1.0 / 353.15))
