"""The recipe sums. Masses in kg, moisture in % of wet mass, carbon and nitrogen in % of dry mass.

Source of the formulas: Cornell Composting, "Moisture content" and "C/N ratio" (T. Richard), as in the domain sheet.
"""

from __future__ import annotations

from collections.abc import Sequence

from shared.mix.material import Material


def moisture_of(materials: Sequence[Material]) -> float | None:
    """sum(Q M) / sum(Q); None when a mass or a moisture is unknown."""
    total = water = 0.0
    for item in materials:
        if item.mass_kg is None or item.moisture is None:
            return None
        total += item.mass_kg
        water += item.mass_kg * item.moisture
    return water / total if total else None


def ratio_of(materials: Sequence[Material]) -> float | None:
    """sum(Q C (100-M)) / sum(Q N (100-M)); None when anything in it is unknown or there is no nitrogen."""
    carbon = nitrogen = 0.0
    for item in materials:
        if item.mass_kg is None or item.moisture is None or item.carbon is None or item.nitrogen is None:
            return None
        dry = item.mass_kg * (100.0 - item.moisture)
        carbon += dry * item.carbon
        nitrogen += dry * item.nitrogen
    return carbon / nitrogen if nitrogen else None


def rough_ratio_of(materials: Sequence[Material]) -> float | None:
    """The average of the C:N ratios, weighted by mass, or by parts or litres: a rough rule, wrong when %N or moisture
    differ."""
    weights = [item.mass_kg for item in materials]
    if any(weight is None for weight in weights):
        weights = [item.parts if item.parts is not None else item.volume_l for item in materials]
    total = sum_ = 0.0
    for item, weight in zip(materials, weights, strict=True):
        if weight is None or item.ratio is None:
            return None
        total += weight
        sum_ += weight * item.ratio
    return sum_ / total if total else None


def free_for_moisture(fixed: Sequence[Material], free: Material, goal: float) -> float | None:
    """Mass of ``free`` that brings the mix to ``goal`` % moisture: Q1 (G - M1)/(M2 - G); None when it cannot."""
    m1 = moisture_of(fixed)
    if m1 is None or free.moisture is None:
        return None
    total = sum(item.mass_kg or 0.0 for item in fixed)
    if m1 == goal:
        return 0.0
    if free.moisture == goal:
        return None
    mass = total * (goal - m1) / (free.moisture - goal)
    return mass if mass >= 0 else None


def free_for_ratio(fixed: Sequence[Material], free: Material, goal: float) -> float | None:
    """Mass of ``free`` that brings the mix to C:N = ``goal``: Q1 N1 (R - C1/N1)(100-M1) / [N2 (C2/N2 - R)(100-M2)]."""
    carbon = nitrogen = 0.0
    for item in fixed:
        if item.mass_kg is None or item.moisture is None or item.carbon is None or item.nitrogen is None:
            return None
        dry = item.mass_kg * (100.0 - item.moisture)
        carbon += dry * item.carbon
        nitrogen += dry * item.nitrogen
    if free.moisture is None or free.carbon is None or free.nitrogen is None:
        return None
    lack = goal * nitrogen - carbon
    gain = (free.carbon - goal * free.nitrogen) * (100.0 - free.moisture)
    if lack == 0:
        return 0.0
    if gain == 0:
        return None
    mass = lack / gain
    return mass if mass >= 0 else None


def water_to_add(mass_kg: float, moisture: float, goal: float) -> float:
    """W = Q (G - M)/(100 - G), never below 0."""
    return max(0.0, mass_kg * (goal - moisture) / (100.0 - goal))
