"""What is left out of the sums and why. Sensor facts: power-on 85.0 and 127.94 are read in the maker's data sheet by
others; -127 and all limits are common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.heat.engine import PileHeat
from shared.heat.screening import RawReadings, Reason, screen
from shared.times import DAY, HOUR, MINUTE
from tests.heat.asking import only, report
from tests.heat.piles import BUILT, GAP, every, facts, placed, sensor
from tests.heat.test_any_order import afresh, put, said

TEN = 10 * MINUTE


def judged(values: list[float], step_ms: int = TEN) -> list[str]:
    at = np.arange(len(values), dtype=np.int64) * step_ms
    one = RawReadings(at, np.array(values), np.zeros(len(values), np.uint8))
    return [Reason(code).text for code in screen([one])[0]]


def test_a_lone_85_far_from_both_neighbours_is_suspect() -> None:
    assert judged([60, 85.0, 61]) == ["", "lone_85", ""]
    assert judged([60, 61, 85.0]) == ["", "", "lone_85"]
    assert judged([85.0, 60, 61]) == ["lone_85", "", ""]


@pytest.mark.parametrize("values", [[60, 85.0, 85.0, 60], [74, 76, 85.0, 60], [60, 85.0, 75.0, 60]])
def test_an_85_that_is_repeated_or_near_a_neighbour_stays(values: list[float]) -> None:
    assert "lone_85" not in judged(values)


def test_a_kept_85_says_fault_or_fire_beside_the_figures() -> None:
    found = only(report(every(TEN, 78, 80, 85.0, 84, 83)))
    assert found.suspect == 0
    assert found.peak_c == 85
    assert found.fault is not None
    assert "fire" in found.fault


def test_an_85_with_no_neighbour_within_six_hours_is_suspect() -> None:
    assert judged([84, 85.0], 7 * HOUR) == ["", "lone_85"]


def test_a_value_near_85_is_no_power_on_value() -> None:
    assert judged([60, 84.94, 61]) == ["", "", ""]


def test_only_a_lone_reading_out_and_back_among_steady_ones_is_a_jump() -> None:
    assert judged([50, 50, 65, 50, 50]) == ["", "", "jump", "", ""]
    assert judged([50, 50, 35, 50, 50]) == ["", "", "jump", "", ""]
    assert "jump" not in judged([50, 50, 60, 50, 50])
    assert "jump" not in judged([50, 65, 50])
    assert "jump" not in judged([50, 50, 65, 65, 50, 50])
    assert "jump" not in judged([50, 50, 50, 65, 65, 65])
    assert "jump" not in judged([50, 50, 65, 50, 50], 2 * HOUR)


def test_a_spike_vanishes_from_the_line() -> None:
    found = only(report(every(TEN, 60, 60, 30, 60, 60)))
    assert found.hours_above["55"] == pytest.approx(40 / 60)
    assert found.suspect_reasons == {"jump": 1}


def test_constant_and_stepped_records_count_in_full_and_are_only_called_stuck() -> None:
    constant = only(report(every(HOUR, *[60.0] * 145)))
    assert (constant.suspect, constant.hours_above["60"]) == (0, 144)
    assert constant.fault is not None
    assert "stuck" in constant.fault
    stepped = only(report(every(HOUR, *[57.0] * 36, *[62.0] * 25)))
    assert (stepped.suspect, stepped.readings) == (0, 61)


def test_a_record_that_moves_or_is_cold_is_not_called_stuck() -> None:
    assert only(report(every(HOUR, *[60.0, 60.2] * 10))).fault is None
    assert only(report(every(HOUR, *[12.0] * 20))).fault is None
    assert only(report(every(HOUR, *[60.0] * 6))).fault is None


def test_depths_that_read_alike_for_six_hours_are_told_and_still_count() -> None:
    values = [60.0 + 0.3 * (k % 3) for k in range(20)]
    found = report({sensor(20): every(HOUR, *values), sensor(45): every(HOUR, *values)})
    assert all(one.fault is not None and "equal depths" in one.fault for one in found.sensors)
    assert found.coldest.hours_above["60"] == 19
    turned = report(
        {sensor(20): every(HOUR, *values), sensor(45): every(HOUR, *values)}, facts(turns=[16 * HOUR])
    )
    assert all(one.fault is None for one in turned.sensors)


def test_a_sensor_that_only_gives_words_for_no_value_is_told() -> None:
    found = only(report(every(TEN, 60, 60.2, -127, -127, -127)))
    assert found.fault is not None
    assert "no usable value" in found.fault
    assert found.last_c == 60.2


def out_of_the_pile(hours_out: float, back: bool = True) -> list[list[float]]:
    """Core and shallow depth: a day in the pile, in the air, and back (or not)."""
    count = round(hours_out * 6)
    core = [62 + 0.3 * (k % 2) for k in range(144)] + [18.0] * count + ([60.0] * 36 if back else [])
    shallow = [48 + 0.3 * (k % 2) for k in range(144)] + [18.4] * count + ([47.0] * 36 if back else [])
    return [core, shallow]


def test_a_probe_that_lay_in_the_air_and_came_back_is_masked_and_no_line_crosses_it() -> None:
    core, shallow = out_of_the_pile(1)
    found = report({sensor(60): every(TEN, *core), sensor(20): every(TEN, *shallow)})
    for one in found.sensors:
        assert one.suspect_reasons == {"pulled_out": 6}
    assert found.hottest.hours_above["55"] == pytest.approx(143 / 6 + 35 / 6)
    assert found.sensors[0].gap_hours == pytest.approx(7 / 6)


def test_a_probe_still_in_the_air_is_masked_for_half_a_day_at_most() -> None:
    for hours, masked in ((2, 12), (12, 72), (13, 0)):
        core, shallow = out_of_the_pile(hours, back=False)
        found = report({sensor(60): every(TEN, *core), sensor(20): every(TEN, *shallow)})
        assert [one.suspect for one in found.sensors] == [masked, masked]
        assert (found.hottest.now_c is None) == bool(masked)


def test_half_a_day_in_the_air_is_judged_anew_with_every_reading() -> None:
    """What was masked while the probe might still come back counts again once it has stayed out too long."""
    core, shallow = out_of_the_pile(13, back=False)
    keys = (sensor(60), sensor(20))
    rows = [
        (key, k * TEN, c)
        for k, pair in enumerate(zip(core, shallow, strict=True))
        for key, c in zip(keys, pair, strict=True)
    ]
    heat = PileHeat(facts(), GAP)
    put(heat, rows[: 2 * 150])
    masked = []
    for index in range(2 * 150, len(rows), 12):
        put(heat, rows[index : index + 12])
        heat.refresh()
        masked.append(int(heat.stands[0].depths()["60"].rows.by_reason[Reason.PULLED_OUT]))
    assert max(masked) == 72
    assert masked[-1] == 0
    assert said(heat) == afresh(rows, facts())


def test_a_turn_that_mixes_and_reheats_is_no_probe_in_the_air() -> None:
    core = [62 + 0.3 * (k % 2) for k in range(50)] + [45.0 + 0.2 * k for k in range(60)]
    shallow = [50 + 0.3 * (k % 2) for k in range(50)] + [44.0 + 0.2 * k for k in range(60)]
    found = report({sensor(60): every(TEN, *core), sensor(20): every(TEN, *shallow)})
    assert [one.suspect for one in found.sensors] == [0, 0]


def test_a_pile_that_goes_cold_and_stays_cold_is_not_masked() -> None:
    core = [62 + 0.3 * (k % 2) for k in range(50)] + [25.0] * 144
    shallow = [50 + 0.3 * (k % 2) for k in range(50)] + [24.0] * 144
    found = report({sensor(60): every(TEN, *core), sensor(20): every(TEN, *shallow)})
    assert [one.suspect for one in found.sensors] == [0, 0]


def test_one_depth_alone_is_never_said_to_lie_in_the_air() -> None:
    core, _ = out_of_the_pile(1)
    assert only(report(every(TEN, *core))).suspect == 0


pieces = st.lists(
    st.tuples(st.sampled_from(["hot", "air", "mid", "gap", "fault"]), st.integers(1, 90)),
    min_size=2,
    max_size=9,
)


def profile(parts: list[tuple[str, int]]) -> list[tuple[int, int, float]]:
    """(depth index, ms, °C): stretches in the pile, in the air, half-way, silent or faulty; up to 80 h each."""
    levels = {"hot": (62.0, 52.0, 45.0), "air": (17.0, 18.0, 18.5), "mid": (33.0, 31.0, 30.0)}
    at, rows = 0, []
    for word, count in parts:
        if word == "gap":
            at += count * 2 * MINUTE
            continue
        for _ in range(count):
            at += TEN
            values = levels.get(word, (85.0, -127.0, 17.0))
            rows += [(depth, at, value) for depth, value in enumerate(values)]
    return rows


@settings(max_examples=25)
@given(pieces, st.data())
def test_probes_in_and_out_of_the_pile_are_judged_alike_in_any_order(
    parts: list[tuple[str, int]], data: st.DataObject
) -> None:
    pile = facts([placed()])
    keys = [sensor(60), sensor(30), sensor(10)]
    rows = [(keys[depth], at, value) for depth, at, value in profile(parts) if at <= 5 * DAY]
    if not rows:
        return
    cut = data.draw(st.integers(0, len(rows)))
    blocks = [rows[:cut], rows[cut:]]
    if data.draw(st.booleans()):
        blocks.reverse()
    stride = data.draw(st.integers(1, 4))
    heat = PileHeat(pile, GAP)
    for block in blocks:
        for first in range(stride):
            put(heat, block[first::stride])
            said(heat)
    assert said(heat) == afresh(rows, pile)
    gone = data.draw(st.integers(0, len(rows) - 1))
    heat.withdraw(rows[gone][0], np.array([BUILT + rows[gone][1]]))
    assert said(heat) == afresh(rows[:gone] + rows[gone + 1 :], pile)
