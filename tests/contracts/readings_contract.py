"""What every ReadingsStore must do. An adapter's test class gives the fixture ``address`` and inherits all of this."""

from __future__ import annotations

import random
from collections import Counter
from functools import partial

import pytest

from shared.ports import ReadingsStore, StorageError
from shared.readings import SensorKey
from shared.times import HOUR
from tests.contracts.adapters import readings_at
from tests.contracts.child import BATCH, append_all, append_on, batch
from tests.contracts.processes import children, in_threads
from tests.contracts.readings_kept import ReadingsKept
from tests.contracts.readings_made import CORE, EVER, SITE, reading


class ReadingsContract(ReadingsKept):
    # many at once, and sudden ends

    def test_threads_that_append_the_same_readings_store_each_once(self, store: ReadingsStore) -> None:
        def work(seed: int) -> tuple[int, int]:
            numbers = list(range(12))
            random.Random(seed).shuffle(numbers)
            done = [store.append(batch(number)) for number in numbers]
            return sum(a.stored for a in done), sum(sum(a.repeats.values()) for a in done)

        results = in_threads(*(partial(work, seed) for seed in range(4)))
        assert sum(stored for stored, _ in results) == store.count() == 12 * BATCH
        assert sum(repeats for _, repeats in results) == 3 * 12 * BATCH

    def test_a_reader_sees_whole_batches_while_another_thread_writes(self, store: ReadingsStore) -> None:
        sensor = batch(0)[0].sensor
        seen: list[int] = []

        def write() -> None:
            for number in range(30):
                store.append(batch(number))

        def look() -> None:
            while not seen or seen[-1] < 30 * BATCH:
                seen.append(len(store.read(sensor, EVER)))

        in_threads(write, look)
        assert all(length % BATCH == 0 for length in seen)
        assert seen == sorted(seen)

    def test_a_poller_misses_no_batch_of_a_writer(self, store: ReadingsStore) -> None:
        polled: Counter[SensorKey] = Counter()

        def write() -> None:
            for number in range(40):
                store.append([reading(number, 50.0, SensorKey(SITE, f"N{number}", "45"))])

        def poll() -> None:
            cursor = 0
            while len(polled) < 40:
                changes = store.changes_since(cursor)
                assert changes.complete
                polled.update(changes.earliest.keys())
                cursor = changes.cursor

        in_threads(write, poll)
        assert len(polled) == 40

    def test_two_processes_append_overlapping_batches_and_each_reading_is_new_once(
        self, store: ReadingsStore, address: str
    ) -> None:
        with children((append_all, address, 0, 30), (append_all, address, 10, 40)) as both:
            for child in both:
                child.go()
            results = [child.result() for child in both]
        assert sum(stored for stored, _ in results) == store.count() == 40 * BATCH
        assert sum(repeats for _, repeats in results) == 20 * BATCH
        assert store.read(batch(0)[0].sensor, EVER).at.tolist() == [at * 1000 for at in range(40 * BATCH)]

    @pytest.mark.parametrize("batches_first", [1, 7, 23])
    def test_a_kill_in_the_middle_loses_nothing_acknowledged_and_leaves_whole_batches(
        self, address: str, batches_first: int
    ) -> None:
        with children((append_on, address)) as (child,):
            child.go()
            acknowledged = [int(child.line()) for _ in range(batches_first)]
            child.kill()  # SIGKILL: nothing of the child runs any more
            acknowledged += [int(text) for text in child.stdout.read().split("\n")[:-1]]
        store = readings_at(address)
        stored = store.read(batch(0)[0].sensor, EVER).at.tolist()
        assert len(stored) % BATCH == 0
        assert len(stored) >= (acknowledged[-1] + 1) * BATCH
        assert stored == [at * 1000 for at in range(len(stored))]
        assert store.count() == len(stored) == store.sensors()[0].count
        store.append(batch(10**6))
        store.close()

    # health

    def test_a_healthy_store_answers_a_ping_and_changes_nothing_by_it(self, store: ReadingsStore) -> None:
        store.append([reading(HOUR)])
        before = store.changes_since(0)
        store.ping()
        assert store.changes_since(0) == before

    def test_a_closed_store_says_so(self, address: str) -> None:
        store = readings_at(address)
        store.close()
        with pytest.raises(StorageError):
            store.append([reading(HOUR)])
        with pytest.raises(StorageError):
            store.read(CORE, EVER)
        with pytest.raises(StorageError):
            store.ping()
