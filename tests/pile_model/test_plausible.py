"""The model behaves as piles do. Ranges: domain.md section 1's sources (Cornell Composting, "Compost Physics": 40-50 °C
in 2-3 days for small units, 60-70 °C in 3-5 days for large systems; a turn's fall of 10-25 K is common practice, no
source). They say that the model is plausible, not that it predicts a pile."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from shared.pile_model.parameters import Geometry, PileParameters, draw, overheating, too_dry, too_wet
from shared.pile_model.simulation import Simulation
from shared.pile_model.weather import draw_weather

PER_DAY = 288
PILES = 24
DAYS = 40
GEOMETRIES: tuple[Geometry, ...] = ("caged", "windrow")


Falls = list[tuple[int, float]]
"""The pile's number, and how many kelvin its core lost at a turn."""


def run(
    piles: list[PileParameters], days: int, seed: int, turns: list[list[int]]
) -> tuple[NDArray[np.float64], Falls]:
    """Core temperature every 5 minutes, shape (steps, piles), and the fall at every turn."""
    rng = np.random.default_rng(seed)
    simulation = Simulation(piles, draw_weather(days, rng, mean_c=14.0))
    depths = [pile.radius_m * 90.0 for pile in piles]
    shares = np.concatenate([simulation.shares([cm])[[number]] for number, cm in enumerate(depths)])
    core, falls = np.empty((days * PER_DAY, len(piles))), []
    for step in range(days * PER_DAY):
        for number in range(len(piles)):
            if step in turns[number]:
                before = simulation.celsius(number, depths[number])
                simulation.turn(number, water_to=0.56)
                falls.append((number, before - simulation.celsius(number, depths[number])))
        simulation.step()
        core[step] = np.einsum("pds,ps->p", shares, simulation.t)
    return core, falls


@pytest.fixture(scope="module")
def both() -> tuple[NDArray[np.float64], Falls]:
    """``PILES`` caged ones, then as many windrows; a step costs the same however many there are."""
    piles, turns = [], []
    for geometry in GEOMETRIES:
        rng = np.random.default_rng(2024)
        piles += [draw(geometry, rng) for _ in range(PILES)]
        turns += [[int((4 + 5 * k + rng.uniform(-1, 1)) * PER_DAY) for k in range(6)] for _ in range(PILES)]
    return run(piles, DAYS, 11, turns)


@pytest.fixture(params=GEOMETRIES)
def ordinary(
    request: pytest.FixtureRequest, both: tuple[NDArray[np.float64], Falls]
) -> tuple[Geometry, NDArray[np.float64], list[float]]:
    core, falls = both
    first = GEOMETRIES.index(request.param) * PILES
    mine = range(first, first + PILES)
    return request.param, core[:, mine], [fall for number, fall in falls if number in mine]


def test_nearly_every_ordinary_pile_passes_55_within_one_to_four_days(
    ordinary: tuple[Geometry, NDArray[np.float64], list[float]],
) -> None:
    _, core, _ = ordinary
    days = np.argmax(core >= 55.0, axis=0) / PER_DAY
    assert (core.max(axis=0) >= 55.0).all()
    assert 1.0 <= np.median(days) <= 3.5
    assert np.percentile(days, 95) <= 5.0


def test_an_ordinary_pile_peaks_between_60_and_75(
    ordinary: tuple[Geometry, NDArray[np.float64], list[float]],
) -> None:
    _, core, _ = ordinary
    peaks = core.max(axis=0)
    assert peaks.min() >= 60.0
    assert peaks.max() <= 75.0


def test_most_turns_cost_10_to_25_kelvin(ordinary: tuple[Geometry, NDArray[np.float64], list[float]]) -> None:
    _, _, falls = ordinary
    within = np.mean([(10.0 <= fall <= 25.0) for fall in falls])
    assert within >= 0.7


def test_an_early_turn_is_followed_by_a_reheat_within_two_days(
    ordinary: tuple[Geometry, NDArray[np.float64], list[float]],
) -> None:
    _, core, _ = ordinary
    just_after, later = core[6 * PER_DAY], core[8 * PER_DAY]
    assert np.median(later) > np.median(just_after) or np.median(later) > 60.0


def test_the_core_declines_over_weeks(ordinary: tuple[Geometry, NDArray[np.float64], list[float]]) -> None:
    _, core, _ = ordinary
    early, late = np.median(core[8 * PER_DAY]), np.median(core[-1])
    assert late < early - 10.0


def test_no_ordinary_pile_rises_faster_than_six_kelvin_an_hour(
    ordinary: tuple[Geometry, NDArray[np.float64], list[float]],
) -> None:
    _, core, _ = ordinary
    assert (core[12:] - core[:-12]).max() < 6.0


def test_stalled_piles_stay_cold_and_an_overheating_windrow_goes_past_80() -> None:
    rng = np.random.default_rng(5)
    caged, windrow = draw("caged", rng), draw("windrow", rng)
    core, _ = run([too_dry(caged), too_wet(caged), overheating(windrow)], 12, 3, [[], [], []])
    dry, wet, hot = core.max(axis=0)
    assert dry < 40.0
    assert wet < 45.0
    assert hot > 80.0


def test_the_same_seed_gives_the_same_curve_and_another_seed_another() -> None:
    rng = np.random.default_rng(1)
    pile = draw("caged", rng)
    first, _ = run([pile], 3, 8, [[]])
    again, _ = run([pile], 3, 8, [[]])
    other, _ = run([pile], 3, 9, [[]])
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_heat_water_and_solids_never_go_below_nothing(
    ordinary: tuple[Geometry, NDArray[np.float64], list[float]],
) -> None:
    _, core, _ = ordinary
    assert np.isfinite(core).all()
    assert core.min() > -10.0
