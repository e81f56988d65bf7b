"""The biosolids equations: 40 CFR 503.32(a)(3), as copied in 15A NCAC 02T .1106; worked values of domain arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from shared.heat.lethality import D1, D2, DOSE_UNIT, Equation, line_doses
from shared.times import DAY, HOUR, MINUTE
from tests.heat.asking import report
from tests.heat.piles import curve, every, sensor, steady


@pytest.mark.parametrize(
    ("celsius", "days"),
    [(50, 13.170), (55, 2.628), (60, 0.5243), (65, 150.6 / 1440), (70, 30.06 / 1440)],
)
def test_the_first_equation_gives_the_published_days(celsius: float, days: float) -> None:
    held = D1.hold_ms(celsius)
    assert held is not None
    assert held / DAY == pytest.approx(days, rel=4e-4)  # as many digits as the table has


@pytest.mark.parametrize(("celsius", "days"), [(50, 5.007), (55, 23.98 / 24), (60, 4.784 / 24)])
def test_the_second_equation_gives_the_published_days(celsius: float, days: float) -> None:
    held = D2.hold_ms(celsius)
    assert held is not None
    assert held / DAY == pytest.approx(days, rel=4e-4)


def test_the_least_times_begin_where_the_table_says() -> None:
    assert D1.floor_c == pytest.approx(71.26, abs=0.005)
    assert D2.floor_c == pytest.approx(67.01, abs=0.005)
    assert D1.hold_ms(80) == 20 * MINUTE
    assert D2.hold_ms(80) == 30 * MINUTE


@pytest.mark.parametrize("equation", [D1, D2])
def test_under_fifty_degrees_the_equations_do_not_apply(equation: Equation) -> None:
    assert equation.hold_ms(49.9) is None
    assert line_doses(np.array([0, HOUR]), np.array([49.9, 49.9]), np.array([True]), equation).sum() == 0


@given(st.floats(30, 90), st.floats(30, 90), st.integers(1, 3 * HOUR), st.sampled_from([D1, D2]))
def test_the_dose_of_a_line_is_the_integral_along_it(
    start_c: float, end_c: float, length: int, equation: Equation
) -> None:
    """Against scipy.integrate.quad of the same integrand."""

    def rate(at: float) -> float:
        held = equation.hold_ms(start_c + (end_c - start_c) * at / length)
        return 0.0 if held is None else 1 / held

    steep = end_c != start_c
    corners = [
        length * (at - start_c) / (end_c - start_c)
        for at in (50.0, equation.floor_c)
        if steep and min(start_c, end_c) < at < max(start_c, end_c)
    ]
    wanted, _ = quad(rate, 0, length, points=[at for at in corners if 0 < at < length] or None, limit=200)
    got = line_doses(np.array([0, length]), np.array([start_c, end_c]), np.array([True]), equation)
    assert got[0] * DOSE_UNIT == pytest.approx(wanted, rel=1e-6, abs=2e-12)


def test_a_dose_does_not_hang_on_which_end_is_hotter() -> None:
    lines = [np.array([45.0, 75.0]), np.array([75.0, 45.0])]
    one, other = (line_doses(np.array([0, HOUR]), line, np.array([True]))[0] for line in lines)
    assert one == other


def test_the_index_of_63_hours_at_55_is_one() -> None:
    found = report(curve(steady(63.07, 55.0, MINUTE * 6)))
    assert found.lethality_index == pytest.approx(1.0, abs=1e-3)


def test_the_index_is_that_of_the_core_sensor_which_got_least() -> None:
    both = {sensor(20): every(HOUR, 60, 60, 60), sensor(45): every(HOUR, 55, 55, 55)}
    alone = report(every(HOUR, 55, 55, 55))
    assert report(both).lethality_index == alone.lethality_index
