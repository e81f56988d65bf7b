"""The book when the store falters, when many ask at once, and when readings come in any order."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from threading import Thread

import numpy as np
import pytest

from shared.heat_book import HeatBook
from shared.piles import Turn
from shared.ports import ReadingsStore, StoreBusy
from shared.readings import Curve, SensorKey
from shared.times import HOUR, MINUTE, Millis, Span
from tests.heat.book_yard import BUILT, CATALOGUE, GAP, KEY, OTHER, Yard


@dataclass
class Faltering:
    """A readings store that fails when told to, and counts what is read."""

    inner: ReadingsStore
    fails: int = 0
    rows_read: int = 0

    def read_many(self, sensors: Iterable[SensorKey], span: Span) -> dict[SensorKey, Curve]:
        if self.fails:
            self.fails -= 1
            raise StoreBusy("locked")
        curves = self.inner.read_many(sensors, span)
        self.rows_read += sum(map(len, curves.values()))
        return curves

    def __getattr__(self, name: str) -> object:
        return getattr(self.inner, name)


def test_a_store_that_fails_for_a_moment_costs_no_reading(yard: Yard) -> None:
    store = Faltering(yard.readings)
    yard.book = HeatBook(store, yard.registry, CATALOGUE, GAP)  # type: ignore[arg-type]  # the rest by __getattr__
    yard.hear(KEY, 0, 60, 60)
    yard.hear(OTHER, 0, 66, 66)
    assert yard.hours() == 1
    yard.hear(KEY, 2, 60)
    yard.hear(OTHER, 2, 66)
    store.fails = 1
    with pytest.raises(StoreBusy):
        yard.hours()
    assert (yard.hours(), yard.hours(threshold="65")) == (2, 2)
    assert yard.said() == yard.afresh()


def test_one_more_reading_reads_only_what_is_new(yard: Yard) -> None:
    store = Faltering(yard.readings)
    yard.book = HeatBook(store, yard.registry, CATALOGUE, GAP)  # type: ignore[arg-type]  # the rest by __getattr__
    yard.hear(KEY, 0, *[60.0] * 500)
    yard.hours()
    store.rows_read = 0
    yard.hear(KEY, 500, 60)
    assert yard.hours() == 500
    yard.hours()
    assert store.rows_read == 1


def test_many_threads_ask_and_all_get_the_right_sums(yard: Yard) -> None:
    failures: list[BaseException] = []
    last = 300

    def ask(name: str) -> None:
        try:
            seen = -1.0
            while seen < last - 1:
                yard.book.poll(name)
                found = (
                    yard.book.report("pile-1", Millis(BUILT + last * HOUR)).hottest.hours_above["55"] or 0.0
                )
                assert found >= seen
                seen = found
        except BaseException as error:  # noqa: BLE001 - told to the test below
            failures.append(error)

    threads = [Thread(target=ask, args=(f"thread-{k}",), daemon=True) for k in range(3)]
    for thread in threads:
        thread.start()
    for start in range(0, last, 20):
        yard.hear(KEY, start, *[60.0] * 20)
    for thread in threads:
        thread.join(60)
    assert failures == []
    assert not any(thread.is_alive() for thread in threads)


def test_random_arrivals_through_the_store_equal_a_fresh_report(yard: Yard) -> None:
    rng = np.random.default_rng(7)
    for _ in range(25):
        key = (KEY, OTHER)[int(rng.integers(2))]
        start = float(rng.integers(0, 400)) / 2
        values = np.round(rng.normal(58, 6, int(rng.integers(1, 30))), 1)
        yard.hear(key, start, *values.tolist(), step_ms=20 * MINUTE)
        if rng.random() < 0.3:
            curve = yard.readings.read(key, Span(Millis(0)))
            gone = rng.choice(curve.at, min(5, len(curve)), replace=False)
            yard.readings.withdraw([(key, Millis(int(at))) for at in gone])
        if rng.random() < 0.2:
            at = Millis(BUILT + int(rng.integers(0, 200)) * HOUR)
            yard.registry.piles.add_turn(Turn(f"turn-{at}-{rng.integers(1 << 30)}", "pile-1", at))
        yard.now = Millis(BUILT + 220 * HOUR)
        assert yard.said() == yard.afresh()
