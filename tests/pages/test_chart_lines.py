"""Thinning keeps what matters: peaks, crossings, breaks, suspect readings."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.chart_lines import SensorLine, lines_of, thin
from shared.times import MINUTE, Millis
from tests.pages.histories import BUILT, STEP, history

GAP = 180 * MINUTE
THRESHOLDS = (55.0, 65.0, 70.0)


def line(values: list[float], suspect: list[int] | None = None) -> SensorLine:
    at = BUILT + np.arange(len(values), dtype=np.int64) * STEP
    bad = np.zeros(len(values), dtype=bool)
    bad[suspect or []] = True
    return SensorLine("lance-07", "45 cm", 45.0, at, np.array(values, dtype=np.float64), bad)


@given(
    st.lists(st.floats(0, 90).map(lambda c: round(c, 2)), min_size=1, max_size=400),
    st.integers(4, 60),
    st.lists(st.integers(0, 399), max_size=4),
)
@settings(max_examples=150)
def test_the_highest_and_lowest_of_every_piece_and_every_crossing_stay(
    values: list[float], points: int, cuts: list[int]
) -> None:
    whole = line(values)
    breaks = [Millis(BUILT + cut * STEP) for cut in cuts]
    drawn = thin(whole, points=points, thresholds_c=THRESHOLDS, breaks=breaks, max_gap_ms=GAP)
    everything = thin(whole, points=10_000, thresholds_c=THRESHOLDS, breaks=breaks, max_gap_ms=GAP)
    assert set(drawn.at) <= set(whole.at)
    assert np.all(np.diff(drawn.at) > 0)
    assert set(drawn.piece) == set(everything.piece)
    for piece in set(everything.piece):
        full, few = everything.celsius[everything.piece == piece], drawn.celsius[drawn.piece == piece]
        assert full.max() == few.max()
        assert full.min() == few.min()
    for threshold in THRESHOLDS:
        over = everything.celsius >= threshold
        for index in np.flatnonzero(over[1:] != over[:-1]):
            assert {everything.at[index], everything.at[index + 1]} <= set(drawn.at)


def test_a_long_record_becomes_few_points() -> None:
    days = np.arange(180 * 144) / 144
    smooth = 40 + 25 * np.exp(-days / 40) + np.sin(days * 2 * np.pi / 9)
    drawn = thin(line(list(smooth)), points=500, thresholds_c=THRESHOLDS, max_gap_ms=GAP)
    assert len(drawn.at) < 700


def test_a_gap_and_a_turn_break_the_line() -> None:
    values = [50.0] * 100
    whole = line(values)
    at = np.delete(whole.at, range(30, 60))
    holed = SensorLine(whole.probe, whole.name, 45.0, at, np.full(70, 50.0), np.zeros(70, dtype=bool))
    drawn = thin(holed, points=500, thresholds_c=(), breaks=[Millis(BUILT + 80 * STEP)], max_gap_ms=GAP)
    assert sorted(set(drawn.piece)) == [0, 1, 2]


def test_a_reading_all_alone_is_found() -> None:
    at = BUILT + np.array([0, 24, 25, 48], dtype=np.int64) * 60 * MINUTE
    alone = SensorLine("p", "n", 45.0, at, np.array([40.0, 50.0, 51.0, 60.0]), np.zeros(4, dtype=bool))
    drawn = thin(alone, points=500, thresholds_c=(), max_gap_ms=GAP)
    assert list(drawn.celsius[drawn.lone()]) == [40.0, 60.0]


def test_suspect_readings_are_drawn_but_are_no_part_of_the_line() -> None:
    drawn = thin(line([50.0, 51.0, 85.0, 52.0], [2]), points=500, thresholds_c=(), max_gap_ms=GAP)
    assert 85.0 not in drawn.celsius
    assert list(drawn.suspect_c) == [85.0]


def test_a_window_keeps_one_reading_beyond_each_edge() -> None:
    span = (Millis(BUILT + 10 * STEP), Millis(BUILT + 20 * STEP))
    drawn = thin(line([float(i) for i in range(100)]), points=500, thresholds_c=(), max_gap_ms=GAP, span=span)
    assert list(drawn.celsius) == [float(i) for i in range(9, 22)]


def test_the_deepest_line_comes_first_and_a_number_that_is_none_is_left_out() -> None:
    lines = lines_of(history({"15": [20.0, float("nan"), 21.0], "75": [30.0, 31.0, 32.0]}))
    assert [one.name for one in lines] == ["75 cm", "15 cm"]
    assert list(lines[1].celsius) == [20.0, 21.0]
