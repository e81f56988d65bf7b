"""What a probe in a simulated pile reports: offsets, noise, steps of the converter, air when it is pulled out."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from shared.pile_model.simulation import Simulation

STEP_C = 1 / 16  # 12-bit one-wire sensor


@dataclass
class SimulatedProbe:
    """One probe with sensors at ``depths_cm`` below the surface of pile number ``pile``."""

    name: str
    pile: int
    depths_cm: tuple[float, ...]
    rng: np.random.Generator
    noise_c: float = 0.15
    offsets_c: dict[float, float] = field(init=False)
    pulled_out: bool = False
    dead_depths_cm: set[float] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.offsets_c = {depth: float(self.rng.uniform(-0.5, 0.5)) for depth in self.depths_cm}

    def read(self, simulation: Simulation) -> dict[float, float]:
        """°C by depth, as the converter gives them."""
        air_c = simulation.weather.at(simulation.step_index)[0]
        values = {}
        for depth in self.depths_cm:
            if depth in self.dead_depths_cm:
                continue
            truth = air_c if self.pulled_out else simulation.celsius(self.pile, depth)
            raw = truth + self.offsets_c[depth] + float(self.rng.normal(0.0, self.noise_c))
            values[depth] = round(raw / STEP_C) * STEP_C
        return values

    def replaced_after_a_turn(self) -> None:
        """Nobody puts a probe back in quite the same place."""
        for depth in self.offsets_c:
            self.offsets_c[depth] += float(self.rng.normal(0.0, 0.4))
