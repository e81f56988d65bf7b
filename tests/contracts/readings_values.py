"""One key, the first value stays, and what goes in comes out: a part of the readings contract."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared.ports import ReadingsStore, StorageError
from shared.readings import ArrivalMark, Reading, SensorKey
from shared.times import DAY, HOUR, MINUTE, Millis, Span
from tests.contracts.readings_made import CORE, EDGE, EVER, OTHER, SITE, listed, reading


class ReadingsValues:
    # what goes in comes out

    def test_a_curve_comes_out_ascending_with_values_and_marks(self, store: ReadingsStore) -> None:
        store.append(
            [reading(3 * HOUR, 63.5), reading(HOUR, -4.25, mark=ArrivalMark.STALE | ArrivalMark.NO_TIME)]
        )
        store.append([reading(2 * HOUR, 62.0, mark=ArrivalMark.BY_HAND)])
        assert listed(store.read(CORE, EVER)) == [(HOUR, -4.25, 3), (2 * HOUR, 62.0, 32), (3 * HOUR, 63.5, 0)]

    def test_a_curve_has_the_promised_kinds_of_array(self, store: ReadingsStore) -> None:
        store.append([reading(HOUR)])
        for curve in (store.read(CORE, EVER), store.read(OTHER, EVER)):
            assert [a.dtype.name for a in (curve.at, curve.value, curve.mark)] == [
                "int64",
                "float64",
                "uint8",
            ]

    def test_a_span_is_closed_at_its_start_and_open_at_its_end(self, store: ReadingsStore) -> None:
        store.append([reading(at) for at in (999, 1000, 1001, 1999, 2000)])
        assert store.read(CORE, Span(Millis(1000), Millis(2000))).at.tolist() == [1000, 1001, 1999]
        assert store.read(CORE, Span(Millis(1999))).at.tolist() == [1999, 2000]
        assert len(store.read(CORE, Span(Millis(1500), Millis(1500)))) == 0

    def test_an_unknown_sensor_gives_an_empty_curve(self, store: ReadingsStore) -> None:
        store.append([reading(HOUR)])
        assert len(store.read(SensorKey(SITE, "P1", "60"), EVER)) == 0
        assert len(store.read(SensorKey(SITE, "P1", "45", "moisture"), EVER)) == 0

    def test_spans_of_every_length_give_what_lies_in_them(self, store: ReadingsStore) -> None:
        instants = sorted({k * 37 * MINUTE - DAY for k in range(200)})
        store.append([reading(at, float(at % 97)) for at in instants])
        choose = random.Random(5)
        for _ in range(60):
            start, end = sorted(choose.choices(range(-2 * DAY, 6 * DAY), k=2))
            expected = [at for at in instants if start <= at < end]
            assert store.read(CORE, Span(Millis(start), Millis(end))).at.tolist() == expected

    def test_the_shortest_span_gives_its_instant_and_a_repeat_of_it_is_one(
        self, store: ReadingsStore
    ) -> None:
        """2 071.622 seconds times 1 000 are 2 071 621.9999999998 in floating figures."""
        all_of_them = [reading(at) for at in (2_071_622, 2_071_623, DAY, 20_000 * DAY + 1)]
        store.append(all_of_them)
        for one in all_of_them:
            assert store.read(CORE, Span(one.at, Millis(one.at + 1))).at.tolist() == [one.at]
            again = store.append([one])
            assert (again.stored, sum(again.repeats.values())) == (0, 1)

    def test_many_curves_at_once_are_the_same_as_one_by_one(self, store: ReadingsStore) -> None:
        keys = [SensorKey(SITE, f"P{number}", depth) for number in range(40) for depth in ("15", "45")]
        choose = random.Random(8)
        store.append(
            [
                reading(at * 37 * MINUTE - DAY, float(choose.randrange(90)), key)
                for key in keys
                for at in sorted(choose.sample(range(300), choose.randrange(60)))
            ]
        )
        unknown = SensorKey(SITE, "P1", "99")
        for span in (EVER, Span(Millis(0)), Span(Millis(-HOUR), Millis(3 * DAY))):
            found = store.read_many([*keys, unknown], span)
            assert found.keys() == {*keys, unknown}
            assert all(listed(found[key]) == listed(store.read(key, span)) for key in [*keys, unknown])
        assert store.read_many([], EVER) == {}

    def test_a_probe_whose_clock_began_in_2000_does_not_hide_the_rest(self, store: ReadingsStore) -> None:
        store.append([reading(946_684_800_000), reading(1_695_000_000_000)])
        assert store.read(CORE, EVER).at.tolist() == [946_684_800_000, 1_695_000_000_000]

    def test_an_empty_batch_is_nothing(self, store: ReadingsStore) -> None:
        assert store.append([]).stored == 0
        assert store.count() == 0

    def test_plain_numbers_of_numpy_are_taken(self, store: ReadingsStore) -> None:
        at: Any = np.int64(HOUR)
        store.append([Reading(CORE, at, np.float64(61.5), at)])
        assert listed(store.read(CORE, EVER)) == [(HOUR, 61.5, 0)]

    # one key, the first value stays

    def test_the_first_value_stays_and_repeats_are_counted_by_probe(self, store: ReadingsStore) -> None:
        store.append([reading(HOUR, 60.0), reading(HOUR, 61.0, EDGE), reading(HOUR, 50.0, OTHER)])
        appended = store.append(
            [
                reading(HOUR, 60.0),
                reading(HOUR, 99.0),
                reading(HOUR, 61.0, EDGE),
                reading(HOUR, 51.0, OTHER),
                reading(2 * HOUR, 62.0),
            ]
        )
        assert appended.stored == 1
        assert dict(appended.repeats) == {(SITE, "P1"): 2}
        assert dict(appended.differing) == {(SITE, "P1"): 1, (SITE, "P2"): 1}
        assert listed(store.read(CORE, EVER)) == [(HOUR, 60.0, 0), (2 * HOUR, 62.0, 0)]

    def test_repeats_within_one_batch_count_too(self, store: ReadingsStore) -> None:
        appended = store.append(
            [reading(HOUR, 60.0), reading(HOUR, 60.0), reading(HOUR, 61.0), reading(HOUR, 60.0)]
        )
        assert (appended.stored, dict(appended.repeats), dict(appended.differing)) == (
            1,
            {(SITE, "P1"): 2},
            {(SITE, "P1"): 1},
        )
        assert listed(store.read(CORE, EVER)) == [(HOUR, 60.0, 0)]

    def test_a_repeat_in_a_batch_is_held_against_the_value_that_is_stored(self, store: ReadingsStore) -> None:
        store.append([reading(HOUR, 60.0)])
        appended = store.append([reading(HOUR, 61.0), reading(HOUR, 61.0), reading(HOUR, 60.0)])
        assert (dict(appended.repeats), dict(appended.differing)) == ({(SITE, "P1"): 1}, {(SITE, "P1"): 2})

    def test_the_same_instant_at_another_depth_or_site_is_another_reading(self, store: ReadingsStore) -> None:
        keys = [CORE, EDGE, OTHER, SensorKey("hill", "P1", "45"), SensorKey(SITE, "P1", "45", "moisture")]
        assert store.append([reading(HOUR, 50.0 + i, key) for i, key in enumerate(keys)]).stored == 5
        assert [listed(store.read(key, EVER))[0][1] for key in keys] == [50.0, 51.0, 52.0, 53.0, 54.0]

    @pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
    def test_what_is_no_number_is_refused_with_its_whole_batch(
        self, store: ReadingsStore, value: float
    ) -> None:
        with pytest.raises(StorageError, match="is no reading"):
            store.append([reading(HOUR), reading(2 * HOUR, value)])
        assert (store.count(), store.changes_since(0).earliest) == (0, {})

    @settings(
        max_examples=15,
        # one suite for every store: each class runs it with a store of its own
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.differing_executors],
    )
    @given(data=st.data())
    def test_any_order_and_any_repetition_of_the_same_readings_gives_the_same_curve(
        self, store: ReadingsStore, data: st.DataObject
    ) -> None:
        sensor = SensorKey(SITE, f"H{store.count()}-{random.getrandbits(40):x}", "45")
        instants = data.draw(st.lists(st.integers(0, 40 * DAY), min_size=1, max_size=40, unique=True))
        true = [reading(at, 20.0 + at % 601 / 10, sensor) for at in instants]
        arrivals = data.draw(st.permutations(true + data.draw(st.lists(st.sampled_from(true), max_size=20))))
        cuts = sorted(data.draw(st.lists(st.integers(0, len(arrivals)), max_size=4)))
        stored = repeats = 0
        for start, end in zip([0, *cuts], [*cuts, len(arrivals)], strict=True):
            appended = store.append(arrivals[start:end])
            stored += appended.stored
            repeats += sum(appended.repeats.values())
            assert not appended.differing
        expected = [(r.at, r.value, 0) for r in sorted(true, key=lambda r: r.at)]
        assert listed(store.read(sensor, EVER)) == expected
        assert (stored, repeats) == (len(true), len(arrivals) - len(true))
        (summary,) = store.sensors(SITE, sensor.probe)
        assert (summary.first_at, summary.last_at) == (expected[0][0], expected[-1][0])
        assert (summary.last_value, summary.count) == (expected[-1][1], len(true))

    # sensors

    def test_sensors_come_by_site_probe_quantity_and_depth(self, store: ReadingsStore) -> None:
        keys = [
            SensorKey("a", "P1", "", "battery_percent"),
            SensorKey("a", "P1", "7.5"),
            SensorKey("a", "P1", "15"),
            SensorKey("a", "P1", "100"),
            SensorKey("a", "P2", "15"),
            SensorKey("b", "P1", "15"),
        ]
        store.append([reading(HOUR, 50.0, key) for key in reversed(keys)])
        assert [summary.sensor for summary in store.sensors()] == keys
        assert [summary.sensor for summary in store.sensors("a")] == keys[:5]
        assert [summary.sensor for summary in store.sensors("a", "P2")] == keys[4:5]
        assert [summary.sensor for summary in store.sensors(probe="P1")] == [*keys[:4], keys[5]]

    def test_a_late_arrival_does_not_become_the_last_value(self, store: ReadingsStore) -> None:
        store.append([reading(5 * HOUR, 65.0)])
        store.append([reading(2 * HOUR, 52.0), reading(3 * HOUR, 53.0)])
        (summary,) = store.sensors()
        assert (summary.first_at, summary.last_at, summary.last_value, summary.count) == (
            2 * HOUR,
            5 * HOUR,
            65.0,
            3,
        )
