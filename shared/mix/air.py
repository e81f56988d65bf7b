"""How much air the mix holds: bulk density as it goes in, free air space, particles too fine.

Volumes are added up. Fine material settles between coarse pieces, so the real heap is smaller and denser: the figures
are the airy end, and a bucket weighed after mixing settles it.
"""

from __future__ import annotations

from collections.abc import Sequence

from shared.mix.material import Material

# particle densities and the form of the sum: air-filled porosity after Richard, Veeken, de Wilde and Hamelers,
# Biotechnology Progress 20 (2004): from memory, unverified
WATER_KG_M3, ORGANIC_KG_M3, ASH_KG_M3 = 1000.0, 1600.0, 2500.0
ORGANIC_PER_CARBON = 1.8  # % organic matter from % carbon: from memory, unverified
LEAST_FREE_AIR = 30.0  # % by volume: from memory, unverified
DENSEST_KG_M3 = 593.3  # 1 000 lb/cu yd: L. Cooperband, 2002, as tabled in a teaching worksheet
FINE_MM, FINE_SHARE = 3.0, 0.5  # common practice, no source


def free_air_space(wet_density_kg_m3: float, moisture_percent: float, organic_percent_of_dry: float) -> float:
    """% of the volume: 1 - BD (M/water + (1-M) OM/organic + (1-M)(1-OM)/ash), never below 0.

    BD kg/m3 wet, M and OM as shares; the densities are those of the particles.
    """
    water = moisture_percent / 100.0
    organic = organic_percent_of_dry / 100.0
    solids = (1 - water) * (organic / ORGANIC_KG_M3 + (1 - organic) / ASH_KG_M3)
    return 100.0 * max(0.0, 1.0 - wet_density_kg_m3 * (water / WATER_KG_M3 + solids))


def as_built(
    materials: Sequence[Material], mass_kg: float | None, volume_l: float | None, water_kg: float | None
) -> tuple[float | None, float | None]:
    """Bulk density in kg/m3 and free air space in %, with the water to add in it; None = unknown."""
    if mass_kg is None or not volume_l:
        return None, None
    added = water_kg or 0.0
    density = (mass_kg + added) / volume_l * 1000.0
    dry = organic = 0.0
    for item in materials:
        if item.mass_kg is None or item.moisture is None or item.carbon is None:
            return density, None
        own = item.mass_kg * (100.0 - item.moisture) / 100.0
        dry += own
        organic += own * min(100.0, ORGANIC_PER_CARBON * item.carbon)
    if not dry:
        return density, None
    moisture = 100.0 * (1.0 - dry / (mass_kg + added))
    return density, free_air_space(density, moisture, organic / dry)


def air_warnings(materials: Sequence[Material], density: float | None, free_air: float | None) -> list[str]:
    found = []
    if density is not None and density > DENSEST_KG_M3:
        found.append(
            f"Bulk density {density:.0f} kg/m3 as built is over 593: too dense to breathe; add coarse material."
        )
    if free_air is not None and free_air < LEAST_FREE_AIR:
        found.append(
            f"Free air space is estimated at {free_air:.0f} %: little air between the pieces; add coarse material."
        )
    sized = [item for item in materials if item.volume_l is not None and item.particle_mm is not None]
    volume = sum(item.volume_l or 0.0 for item in materials)
    fine = sum(item.volume_l or 0.0 for item in sized if (item.particle_mm or 0.0) < FINE_MM)
    if volume and fine / volume > FINE_SHARE:
        found.append(
            f"{fine / volume:.0%} of the volume is finer than {FINE_MM:g} mm: too fine to hold air; add pieces of 1 to "
            "5 cm."
        )
    return found
