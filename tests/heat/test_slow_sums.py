"""The sums against the same sums done slowly, in fractions, by another way (a definition check, no outside source)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.heat.engine import PileHeat
from shared.heat.spans import Spells, clipped, complement, intersection, spent, union
from shared.heat.view import Stretches
from shared.times import HOUR, MINUTE
from tests.heat import slow_sums
from tests.heat.piles import BUILT, curve, facts, placed, sensor

END = 1 << 46
GAP = 45 * MINUTE
STAYS = {"P-01": [(0, 9 * HOUR), (10 * HOUR, END)], "P-02": [(2 * HOUR, END)]}
TURNS = [4 * HOUR, 12 * HOUR + 1]
PILE = facts(
    [
        placed(probe, start, None if end == END else end)
        for probe, spans in STAYS.items()
        for start, end in spans
    ],
    turns=TURNS,
)
SENSORS = [sensor(20), sensor(40), sensor(30, "P-02")]

celsius = st.one_of(st.floats(40, 75), st.sampled_from([54.0, 55.0, 56.0, 60.0, 60.0]))
walks = st.lists(
    st.tuples(st.sampled_from([5, 10, 10, 10, 30, 45, 46, 60]), celsius, st.booleans()), max_size=60
)


def walked(steps: list[tuple[int, float, bool]], gentle: bool) -> list[tuple[int, float]]:
    """A record from steps of minutes; gentle ones move at most 4 K a step so that no reading stands out alone."""
    at, value, rows = 0, 55.0, []
    for minutes, target, up in steps:
        at += minutes * MINUTE + (7 if up else 0)
        value = value + float(np.clip(target - value, -4, 4)) if gentle else target
        rows.append((at, value))
    return rows


@settings(max_examples=120)
@given(st.tuples(walks, walks, walks), st.sampled_from([45.0, 54.3, 55.0, 60.0, 76.7]))
def test_every_sum_equals_the_slow_one_to_a_millisecond_a_crossing(
    steps: tuple[list[tuple[int, float, bool]], ...], threshold_c: float
) -> None:
    records = [walked(one, gentle=True) for one in steps]
    heat = PileHeat(PILE, GAP, {key: curve(rows) for key, rows in zip(SENSORS, records, strict=True)})
    lines = []
    for key, rows in zip(SENSORS, records, strict=True):
        stays = [(BUILT + start, BUILT + end) for start, end in STAYS[key.probe]]
        lines.append(slow_sums.pieces(curve(rows), GAP, stays, [BUILT + at for at in TURNS]))
    single = [slow_sums.over(one, threshold_c) for one in lines]
    spoken = {key.probe for key, one in zip(SENSORS, records, strict=True) if one}
    asked = [
        [(BUILT + start, BUILT + end) for start, end in STAYS[key.probe]]
        for key, rows in zip(SENSORS, records, strict=True)
        if any(start <= at < end for at, _ in rows for start, end in STAYS[key.probe])
    ]
    silent = [
        [(BUILT + start, BUILT + end) for start, end in spans]
        for probe, spans in STAYS.items()
        if probe not in spoken
        or not any(
            start <= at < end
            for key, rows in zip(SENSORS, records, strict=True)
            if key.probe == probe
            for at, _ in rows
            for start, end in spans
        )
    ]
    of_asked = [
        one
        for key, rows, one in zip(SENSORS, records, single, strict=True)
        if any(start <= at < end for at, _ in rows for start, end in STAYS[key.probe])
    ]
    room = 2 + sum(2 * len(one) for one in single)
    for which, wanted in (
        ("hottest", slow_sums.any_of(single)),
        ("coldest", slow_sums.all_of([*of_asked, *([] for _ in silent)], [*asked, *silent])),
    ):
        got = heat.spells(threshold_c, which)  # type: ignore[arg-type]  # both are words of Which
        assert abs(got[0] - slow_sums.total(wanted)) <= room
        assert abs(got[1] - slow_sums.longest(wanted)) <= room or _nearly_touching(wanted)


def _nearly_touching(stretches: slow_sums.Pairs) -> bool:
    """Whether two stretches of different sensors lie so near that rounding may join or part them."""
    return any(b[0] - a[1] <= 3 for a, b in pairwise(stretches)) or any(
        end - start <= 3 for start, end in stretches
    )


small = st.lists(st.tuples(st.integers(0, 60), st.integers(1, 12)), max_size=8).map(
    lambda rows: union([np.array([[start, start + length]], dtype=np.int64) for start, length in rows])
)


def instants(stretches: Stretches) -> set[int]:
    """Halves of the whole numbers, so that touching and overlapping are told apart."""
    return {half for start, end in stretches.tolist() for half in range(2 * start, 2 * end + 1)}


@given(st.lists(small, min_size=1, max_size=4))
def test_union_and_intersection_hold_the_instants_that_they_should(many: list[Stretches]) -> None:
    assert instants(union(many)) == set.union(*(instants(one) for one in many))
    whole = set.intersection(*(instants(one) for one in many))
    got = instants(intersection(many))
    assert got <= whole
    assert {half for half in whole - got if half % 2} == set()  # only touching instants are dropped


@given(small, st.integers(0, 60), st.integers(1, 30))
def test_a_clip_and_its_complement_fill_the_window(stretches: Stretches, start: int, length: int) -> None:
    end = start + length
    inside, outside = clipped(stretches, start, end), complement(stretches, start, end)
    odd = {half for half in range(2 * start, 2 * end + 1) if half % 2}
    assert {half for half in instants(inside) | instants(outside) if half % 2} == odd
    assert not {half for half in instants(inside) & instants(outside) if half % 2}


@given(small, st.lists(st.integers(-5, 90), min_size=1, max_size=5))
def test_spent_counts_what_lies_before_an_instant(stretches: Stretches, at: list[int]) -> None:
    wanted = [sum(max(0, min(end, t) - start) for start, end in stretches.tolist()) for t in at]
    assert spent(stretches, np.array(at)).tolist() == wanted


@given(small, st.lists(st.tuples(small, st.integers(0, 50), st.integers(1, 20)), max_size=6))
def test_replacing_windows_keeps_the_total_and_the_longest_right(
    first: Stretches, changes: list[tuple[Stretches, int, int]]
) -> None:
    spells = Spells(first)
    wanted = {half for half in instants(first) if half % 2}
    for pieces, start, length in changes:
        end = start + length
        inside = clipped(pieces, start, end)
        spells.replace(start, end, [(a, b) for a, b in inside.tolist()])
        window = {half for half in range(2 * start, 2 * end) if half % 2}
        wanted = (wanted - window) | {half for half in instants(inside) if half % 2}
        held = spells.stretches()
        assert {half for half in instants(held) if half % 2} == wanted
        assert spells.total_ms == len(wanted)
        assert spells.longest_ms == max((b - a for a, b in held.tolist()), default=0)
        assert (held[1:, 0] > held[:-1, 1]).all()


def test_an_intersection_of_nothing_is_nothing() -> None:
    assert len(intersection([])) == 0
    assert len(union([])) == 0


@pytest.mark.parametrize("edge", [0, 10])
def test_stretches_that_only_touch_have_no_time_in_common(edge: int) -> None:
    one = np.array([[edge, edge + 10]], dtype=np.int64)
    other = np.array([[edge + 10, edge + 20]], dtype=np.int64)
    assert len(intersection([one, other])) == 0
    assert union([one, other]).tolist() == [[edge, edge + 20]]
