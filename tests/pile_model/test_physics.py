"""The rates against values that a reader can recompute."""

from __future__ import annotations

import numpy as np
import pytest

from shared.pile_model import physics


def test_the_cardinal_model_is_one_at_its_optimum_and_nothing_outside_its_limits() -> None:
    # Rosso et al. 1993: 0 at both limits, 1 at the optimum
    at = physics.cardinal(np.array([12.0, 55.0, 72.0, 80.0]), 12.0, 55.0, 72.0)
    assert at == pytest.approx([0.0, 1.0, 0.0, 0.0])


def test_moisture_and_air_space_factors_have_their_published_shape() -> None:
    # after Haug 1993, from memory, unverified: 0.97 at 60 %, 0.50 at 40 %, 0.15 at 30 %; 0.97 / 0.78 / 0.24
    assert physics.moisture_factor(np.array([0.60, 0.40, 0.30])) == pytest.approx(
        [0.97, 0.50, 0.15], abs=0.01
    )
    assert physics.air_space_factor(np.array([0.30, 0.20, 0.10])) == pytest.approx(
        [0.97, 0.78, 0.24], abs=0.01
    )


def test_oxygen_satisfies_its_own_balance() -> None:
    air, demand = np.array([5e-4, 1e-5]), np.array([2e-5, 4e-5])
    y = physics.oxygen_percent(air, demand)
    supplied = 0.232 * air * (21.0 - y) / 21.0
    assert supplied == pytest.approx(demand * y / (2.0 + y))


def test_saturated_air_at_65_holds_about_a_fifth_of_its_mass_in_vapour() -> None:
    # steam tables: 25.0 kPa at 65 °C -> 0.622 * 25.0 / (101.3 - 25.0) = 0.204
    assert float(physics.saturation_ratio(65.0)) == pytest.approx(0.204, abs=0.003)
