"""A pile that is looked at as its readings come says at each look what it would say worked out afresh."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.heat.compose import heat_report, report_of
from shared.heat.curve import FEW
from shared.heat.engine import PileHeat
from shared.heat.exposure import KNOWN, few_stretches_over, stretches_over
from shared.pile_model.field import field_records
from shared.pile_model.parameters import Geometry
from shared.piles import Turn
from shared.readings import SensorKey
from shared.times import DAY, HOUR, MINUTE, Millis
from tests.heat.piles import BUILT, GAP, facts, placed, sensor
from tests.heat.test_any_order import CATALOGUE, RULES

Row = tuple[int, SensorKey, float]
DAYS, LOOKS, CHECKED = 5, 60, 4


def heard(geometry: Geometry, seed: int) -> list[Row]:
    """Two probes of a simulated pile: turns, probes pulled out, gaps and spikes; a lone 85.0 among them."""
    rows: list[Row] = []
    for number, record in enumerate(field_records(geometry, 2, DAYS, seed)):
        for depth, (at, celsius) in record.curves.items():
            key = sensor(f"{depth:g}", f"P-0{number + 1}")
            rows += [(int(when), key, float(c)) for when, c in zip(at, celsius, strict=True)]
    spoilt = len(rows) // 3
    rows[spoilt] = (*rows[spoilt][:2], 85.0)
    return sorted(rows, key=lambda row: (row[0], row[1].probe, row[1].depth))


def put(heat: PileHeat, rows: list[Row]) -> None:
    for key in {key for _, key, _ in rows}:
        mine = [(at, celsius) for at, one, celsius in rows if one == key]
        heat.put(key, np.array([BUILT + at for at, _ in mine]), np.array([celsius for _, celsius in mine]))


@pytest.mark.parametrize(("geometry", "seed"), [("caged", 61), ("windrow", 62)])
def test_every_look_says_what_is_said_afresh_whatever_comes_late(geometry: Geometry, seed: int) -> None:
    chance = random.Random(seed)
    pile = facts([placed("P-01"), placed("P-02", position="left")], turns=[2 * DAY])
    heat, now = PileHeat(pile, GAP), Millis(BUILT)
    rest, held_back, told = heard(geometry, seed), list[Row](), 0
    checks = chance.sample(range(LOOKS // 2, LOOKS), CHECKED)
    for look in range(LOOKS):
        now = Millis(now + chance.choice([10, 60, 120, 240]) * MINUTE)
        come = [row for row in rest if BUILT + row[0] <= now]
        rest = rest[len(come) :]
        chance.shuffle(come)
        late = [row for row in held_back if chance.random() < 0.05]
        held_back = [row for row in held_back if row not in late] + come[: len(come) // 12]
        put(heat, late + come[len(come) // 12 :])
        if look % 20 == 15:  # somebody logs a turn of yesterday evening
            logged = Turn(f"late {look}", "pile", Millis(now - 14 * HOUR))
            pile = replace(pile, turns=tuple(sorted((*pile.turns, logged), key=lambda turn: turn.at)))
            heat = PileHeat(pile, GAP, heat.curves())
        if look % 20 == 18 and come:
            heat.withdraw(come[0][1], np.array([BUILT + come[0][0]]))
        said = report_of(heat, now, CATALOGUE.default_guide, RULES)
        if look in checks:
            afresh = heat_report(pile, heat.curves(), now, CATALOGUE.default_guide, RULES, GAP)
            assert said.model_dump_json() == afresh.model_dump_json()
            told += bool(said.outlook)
    assert told > 0


readings = st.tuples(
    st.integers(1, 40 * MINUTE) | st.integers(1, 2), st.sampled_from([54.9, 55.0, 55.1]) | st.floats(-20, 90), st.booleans()
)  # fmt: skip


@given(st.lists(readings, min_size=1, max_size=FEW))
def test_of_few_readings_each_threshold_by_itself_gives_the_stretches_of_all_at_once(
    steps: list[tuple[int, float, bool]],
) -> None:
    at = np.cumsum([step for step, _, _ in steps], dtype=np.int64)
    celsius, joined = np.array([c for _, c, _ in steps]), np.array([one for _, _, one in steps])[1:]
    thresholds = (KNOWN, 40.0, 55.0, 60.0)
    few = [few_stretches_over(one, at.tolist(), celsius.tolist(), joined.tolist()) for one in thresholds]
    at_once = stretches_over(np.array(thresholds), at, celsius, joined)
    assert [[list(one) for one in found] for found in few] == [found.tolist() for found in at_once]
