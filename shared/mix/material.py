"""One ingredient with everything that can be worked out about it; unknown stays None."""

from __future__ import annotations

from dataclasses import dataclass, replace

from shared.mix.recipe import Feedstock, Rows, row_of


@dataclass(frozen=True, slots=True)
class Material:
    name: str
    mass_kg: float | None
    volume_l: float | None
    parts: float | None
    moisture: float | None  # %, wet basis
    carbon: float | None  # % of dry mass
    nitrogen: float | None  # % of dry mass
    ratio: float | None  # C:N
    density: float | None  # kg/m3
    particle_mm: float | None = None
    from_table: bool = False  # whether typical values stand in for what was not given

    @property
    def dry_share(self) -> float | None:
        return None if self.moisture is None else (100.0 - self.moisture) / 100.0

    def missing(self) -> list[str]:
        """What stands in the way of an exact C:N and moisture, in words."""
        found = []
        if self.mass_kg is None:
            found.append("bulk density" if self.volume_l is not None else "an amount by mass")
        if self.moisture is None:
            found.append("moisture")
        if self.carbon is None:
            found.append("carbon (or C:N with nitrogen)")
        if self.nitrogen is None:
            found.append("nitrogen")
        return found

    def with_mass(self, mass_kg: float | None) -> Material:
        volume = None if mass_kg is None or not self.density else mass_kg / self.density * 1000.0
        return replace(self, mass_kg=mass_kg, volume_l=volume, parts=None)


def material_of(item: Feedstock, rows: Rows) -> Material:
    """Fill in from ``rows`` what the recipe leaves out, then C from C:N and N (%C = %N x C:N) or C:N from both."""
    row = row_of(item, rows)

    def pick(name: str) -> float | None:
        own: float | None = getattr(item, name)
        return own if own is not None or row is None else getattr(row, name)

    moisture, density = pick("moisture_percent"), pick("bulk_density_kg_m3")
    carbon, nitrogen, ratio = item.carbon_percent, item.nitrogen_percent, item.carbon_to_nitrogen
    if carbon is None and nitrogen is None and ratio is None and row is not None:
        carbon, nitrogen, ratio = row.carbon_percent, row.nitrogen_percent, row.carbon_to_nitrogen
    elif row is not None:
        nitrogen = nitrogen if nitrogen is not None else row.nitrogen_percent
        if carbon is None and ratio is None:
            carbon, ratio = row.carbon_percent, row.carbon_to_nitrogen
    if carbon is None and ratio is not None and nitrogen is not None:
        carbon = nitrogen * ratio
    if nitrogen is None and ratio is not None and carbon is not None:
        nitrogen = carbon / ratio
    if carbon is not None and nitrogen:
        ratio = carbon / nitrogen
    mass, volume = item.mass_kg, item.volume_l
    if mass is None and volume is not None and density is not None:
        mass = volume * density / 1000.0
    if volume is None and mass is not None and density is not None:
        volume = mass / density * 1000.0
    return Material(
        item.label, mass, volume, item.parts, moisture, carbon, nitrogen, ratio, density,
        particle_mm=item.particle_mm, from_table=row is not None and row.status != "own",
    )  # fmt: skip
