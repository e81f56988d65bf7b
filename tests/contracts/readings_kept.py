"""What every ReadingsStore must do by itself: what goes in comes out, what changed is told, what is taken back is gone."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from shared.ports import ReadingsStore
from shared.times import HOUR, Millis
from tests.contracts.adapters import readings_at
from tests.contracts.readings_made import CORE, EDGE, EVER, OTHER, listed, reading
from tests.contracts.readings_values import ReadingsValues


class ReadingsKept(ReadingsValues):
    @pytest.fixture
    def store(self, address: str) -> Iterator[ReadingsStore]:
        store = readings_at(address)
        yield store
        store.close()

    # what changed

    def test_changes_name_each_sensor_with_its_earliest_new_instant(self, store: ReadingsStore) -> None:
        store.append([reading(9 * HOUR)])
        before = store.changes_since(0).cursor
        store.append([reading(8 * HOUR), reading(4 * HOUR), reading(7 * HOUR, 50.0, OTHER)])
        store.append([reading(6 * HOUR, 50.0, OTHER), reading(5 * HOUR)])
        changes = store.changes_since(before)
        assert changes.complete
        assert dict(changes.earliest) == {CORE: 4 * HOUR, OTHER: 6 * HOUR}
        assert dict(store.changes_since(changes.cursor).earliest) == {}
        assert store.changes_since(changes.cursor).cursor == changes.cursor

    def test_the_beginning_is_cursor_zero(self, store: ReadingsStore) -> None:
        assert store.changes_since(0).complete
        assert store.changes_since(0).cursor == 0
        store.append([reading(9 * HOUR), reading(3 * HOUR)])
        store.append([reading(5 * HOUR, 50.0, EDGE)])
        changes = store.changes_since(0)
        assert (dict(changes.earliest), changes.complete) == ({CORE: 3 * HOUR, EDGE: 5 * HOUR}, True)

    def test_a_mere_repeat_is_no_change(self, store: ReadingsStore) -> None:
        store.append([reading(HOUR)])
        cursor = store.changes_since(0).cursor
        store.append([reading(HOUR), reading(HOUR, 99.0)])
        assert dict(store.changes_since(cursor).earliest) == {}

    def test_a_cursor_from_a_longer_log_means_reading_everything_anew(self, store: ReadingsStore) -> None:
        store.append([reading(HOUR)])
        changes = store.changes_since(10**6)
        assert not changes.complete
        assert store.changes_since(changes.cursor).complete

    def test_cursors_outlive_the_program(self, address: str) -> None:
        store = readings_at(address)
        store.append([reading(HOUR)])
        cursor = store.changes_since(0).cursor
        store.append([reading(3 * HOUR)])
        store.close()
        again = readings_at(address)
        assert dict(again.changes_since(cursor).earliest) == {CORE: 3 * HOUR}
        assert again.append([reading(HOUR), reading(3 * HOUR)]).stored == 0
        again.close()

    # taking back

    def test_what_is_withdrawn_is_gone_counted_and_logged(self, store: ReadingsStore) -> None:
        store.append([reading(at * HOUR, 50.0 + at) for at in range(1, 6)] + [reading(HOUR, 40.0, OTHER)])
        cursor = store.changes_since(0).cursor
        gone = store.withdraw(
            [(CORE, Millis(5 * HOUR)), (CORE, Millis(4 * HOUR)), (CORE, Millis(77)), (EDGE, Millis(HOUR))]
        )
        assert gone == 2
        assert store.read(CORE, EVER).at.tolist() == [HOUR, 2 * HOUR, 3 * HOUR]
        assert dict(store.changes_since(cursor).earliest) == {CORE: 4 * HOUR}
        core = next(summary for summary in store.sensors() if summary.sensor == CORE)
        assert (core.first_at, core.last_at, core.last_value, core.count) == (HOUR, 3 * HOUR, 53.0, 3)
        assert store.count() == 4

    def test_a_sensor_with_nothing_left_is_no_longer_listed_and_may_come_back(
        self, store: ReadingsStore
    ) -> None:
        store.append([reading(HOUR)])
        assert store.withdraw([(CORE, Millis(HOUR)), (CORE, Millis(HOUR))]) == 1
        assert (store.sensors(), store.count(), len(store.read(CORE, EVER))) == ([], 0, 0)
        assert store.append([reading(HOUR, 71.0)]).stored == 1
        assert listed(store.read(CORE, EVER)) == [(HOUR, 71.0, 0)]
        assert store.sensors()[0].last_value == 71.0
