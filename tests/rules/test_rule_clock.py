"""Sums over stretches of time against counting every millisecond."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from shared.heat.rule_clock import Runs, most_within, reached, reached_within, without
from shared.heat.spans import clipped, total
from shared.heat.view import Stretches

END = 60


@st.composite
def stretches(draw: st.DrawFn) -> Stretches:
    edges = draw(st.lists(st.integers(0, END), unique=True, max_size=10).map(sorted))
    pairs = [edges[index : index + 2] for index in range(0, len(edges) - 1, 2)]
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def cells(found: Stretches) -> list[bool]:
    """Whether each millisecond lies in one of the stretches."""
    return [any(start <= at < end for start, end in found.tolist()) for at in range(END)]


@given(stretches(), stretches())
def test_without_takes_away_just_the_holes(one: Stretches, holes: Stretches) -> None:
    expected = [a and not b for a, b in zip(cells(one), cells(holes), strict=True)]
    assert cells(without(one, holes)) == expected


@given(stretches(), st.integers(1, END))
def test_reached_is_the_first_instant_with_enough(one: Stretches, need: int) -> None:
    so_far = np.concatenate(([0], np.cumsum(cells(one))))
    enough = np.flatnonzero(so_far >= need)
    assert reached(one, need) == (int(enough[0]) if len(enough) else None)


@given(stretches(), st.integers(1, 20), st.integers(1, 30), st.integers(0, END), st.integers(0, END))
def test_reached_within_a_moving_window(one: Stretches, need: int, window: int, start: int, end: int) -> None:
    start, end = sorted((start, end))
    inside = cells(clipped(one, start, end))
    expected = next(
        (at for at in range(start + window, end + 1) if sum(inside[at - window : at]) >= need), None
    )
    assert reached_within(one, need, window, start, end) == expected
    windows = [sum(inside[at - window : at]) for at in range(start + window, end + 1)]
    assert most_within(one, window, start, end) == max(windows, default=sum(inside))


@given(stretches(), st.integers(0, 10))
def test_runs_lose_no_time_and_break_where_they_must(one: Stretches, allowed: int) -> None:
    parted = Runs(one, one[1:, 0] - one[:-1, 1] > allowed)
    found = [parted[index] for index in range(len(parted))]
    assert [run.held_ms for run in found] == parted.held_ms.tolist()
    assert sum(run.held_ms for run in found) == total(one)
    for before, after in pairwise(found):
        assert after.start - before.end > allowed
    for run in found:
        gaps = run.pieces[1:, 0] - run.pieces[:-1, 1]
        assert (gaps <= allowed).all()
