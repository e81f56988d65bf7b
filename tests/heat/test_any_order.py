"""The same report, to the last digit, whatever came when."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.heat.catalogue import Catalogue
from shared.heat.compose import heat_report, report_of
from shared.heat.engine import PileHeat
from shared.heat.facts import PileFacts
from shared.readings import Curve, SensorKey
from shared.times import DAY, HOUR, MINUTE, Millis
from tests.heat.piles import BUILT, GAP, curve, facts, placed, sensor

CATALOGUE = Catalogue.load()
RULES = [CATALOGUE.rules[id_] for id_ in ("us-503-pfrp-windrow", "de-bioabfv-2012", "us-organic-vessel")]
SENSORS = [sensor(15), sensor(45), sensor(30, "P-02"), sensor("top", "P-03")]
NOW = Millis(BUILT + 5 * DAY)

PILE = facts(
    [
        placed("P-01", 0, 2 * DAY),
        placed("P-01", 2 * DAY + HOUR),
        placed("P-02", 5 * HOUR, 3 * DAY, position="left"),
        placed("P-02", 3 * DAY, position="right"),
        placed("P-03", position="air", zone="ambient"),
    ],
    turns=[1 * DAY, 2 * DAY + 30 * MINUTE, 3 * DAY],
)

temperatures = st.one_of(
    st.floats(15, 80),
    st.sampled_from([54.0, 55.0, 55.0, 56.0, 60.0, 69.9, 70.0, 85.0, 85.0, -127.0, 20.0, 21.0, float("nan")]),
)
instants = st.integers(0, 5 * 24 * 6).map(lambda step: step * 10 * MINUTE)
readings = st.lists(st.tuples(st.integers(0, len(SENSORS) - 1), instants, temperatures), max_size=120)
runs = st.lists(
    st.tuples(st.integers(0, len(SENSORS) - 1), instants, st.lists(temperatures, min_size=1, max_size=60)),
    max_size=6,
)


def as_readings(
    single: Sequence[tuple[int, int, float]], many: Sequence[tuple[int, int, list[float]]]
) -> list[tuple[SensorKey, int, float]]:
    """First value stays."""
    found: dict[tuple[SensorKey, int], float] = {}
    for which, at, value in single:
        found.setdefault((SENSORS[which], at), value)
    for which, start, values in many:
        for index, value in enumerate(values):
            found.setdefault((SENSORS[which], start + index * 10 * MINUTE), value)
    return [(key, at, value) for (key, at), value in found.items() if at <= 5 * DAY]


def curves_of(rows: Sequence[tuple[SensorKey, int, float]]) -> dict[SensorKey, Curve]:
    found = {key: curve([]) for key in SENSORS}
    return found | {
        key: curve((at, value) for one, at, value in rows if one == key)
        for key in {key for key, _, _ in rows}
    }


def afresh(rows: Sequence[tuple[SensorKey, int, float]], pile: PileFacts = PILE) -> str:
    report = heat_report(pile, curves_of(rows), NOW, CATALOGUE.default_guide, RULES, GAP)
    return report.model_dump_json()


def said(heat: PileHeat) -> str:
    return report_of(heat, NOW, CATALOGUE.default_guide, RULES).model_dump_json()


def put(heat: PileHeat, rows: Sequence[tuple[SensorKey, int, float]]) -> None:
    for key, at, value in rows:
        heat.put(key, np.array([BUILT + at]), np.array([value]))


@settings(max_examples=60)
@given(readings, runs, st.data())
def test_any_order_any_repeats_and_any_questions_between_give_the_same_report(
    single: list[tuple[int, int, float]], many: list[tuple[int, int, list[float]]], data: st.DataObject
) -> None:
    rows = as_readings(single, many)
    order = data.draw(st.permutations(rows)) if len(rows) < 40 else rows[::-1]
    heat = PileHeat(PILE, GAP)
    asked = data.draw(st.sets(st.integers(0, max(len(order) - 1, 0)), max_size=5))
    for index, row in enumerate(order):
        put(heat, [row, row])
        if index in asked:
            said(heat)
    assert said(heat) == afresh(rows)


@settings(max_examples=60)
@given(readings, runs, st.data())
def test_readings_that_were_taken_back_leave_no_trace(
    single: list[tuple[int, int, float]], many: list[tuple[int, int, list[float]]], data: st.DataObject
) -> None:
    rows = as_readings(single, many)
    gone = set(data.draw(st.lists(st.sampled_from(range(len(rows))), max_size=20))) if rows else set()
    heat = PileHeat(PILE, GAP, curves_of(rows))
    said(heat)
    for index in sorted(gone):
        key, at, _ = rows[index]
        heat.withdraw(key, np.array([BUILT + at]))
        if index % 3 == 0:
            said(heat)
    assert said(heat) == afresh([row for index, row in enumerate(rows) if index not in gone])


@settings(max_examples=60)
@given(readings, runs, readings, st.data())
def test_holding_what_a_store_says_from_an_instant_on_equals_a_fresh_start(
    single: list[tuple[int, int, float]],
    many: list[tuple[int, int, list[float]]],
    other: list[tuple[int, int, float]],
    data: st.DataObject,
) -> None:
    before, after = as_readings(single, many), as_readings([*other, *single], [])
    since = data.draw(instants)
    heat = PileHeat(PILE, GAP, curves_of(before))
    said(heat)
    kept = [row for row in before if row[1] < since] + [row for row in after if row[1] >= since]
    for key, held in curves_of(kept).items():
        late = held.at >= BUILT + since
        heat.hold(key, Millis(BUILT + since), Curve(held.at[late], held.value[late], held.mark[late]))
        if data.draw(st.booleans()):
            said(heat)
    assert said(heat) == afresh(kept)
