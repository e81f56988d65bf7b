"""The book on real stores: what changed is noticed, late and withdrawn readings too, and nothing is worked out twice."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import Thread

import numpy as np
import pytest

from shared.heat.catalogue import Catalogue
from shared.heat.compose import heat_report
from shared.heat.screening import Reason
from shared.heat_book import FINISHED_AT_HAND, HeatBook
from shared.heat_facts import FactsShelf
from shared.piles import FieldNote, Pile, Placement, Site, Turn
from shared.ports import NotFound, ReadingsStore, Registry, StoreBusy
from shared.probes import Calibration
from shared.readings import Curve, Reading, SensorKey
from shared.stores import open_readings, open_registry
from shared.times import DAY, HOUR, MINUTE, Millis, Span

BUILT = Millis(1_700_000_000_000)
GAP = 180 * MINUTE
CATALOGUE = Catalogue.load()
KEY = SensorKey("larkfield", "P-01", "45")
OTHER = SensorKey("larkfield", "P-01", "15")


@dataclass
class Yard:
    """Two open piles, one probe in the first."""

    readings: ReadingsStore
    registry: Registry
    book: HeatBook
    now: Millis = BUILT
    reads: list[SensorKey] = field(default_factory=list)

    def hear(self, key: SensorKey, start_h: float, *values: float, step_ms: int = HOUR) -> None:
        batch = [
            Reading(key, Millis(BUILT + round(start_h * HOUR) + k * step_ms), value, self.now)
            for k, value in enumerate(values)
        ]
        self.readings.append(batch)
        self.now = Millis(max(self.now, batch[-1].at))

    def hours(self, pile: str = "pile-1", threshold: str = "55") -> float | None:
        return self.book.report(pile, self.now).hottest.hours_above[threshold]

    def afresh(self, pile_id: str = "pile-1") -> str:
        """The same report from the stores alone."""
        facts = FactsShelf(self.registry)
        facts.renew()
        found = facts.facts(pile_id)
        curves = {
            one.sensor: self.readings.read(one.sensor, Span(Millis(0))) for one in self.readings.sensors()
        }
        rules = [CATALOGUE.rules[id_] for id_ in found.pile.rule_ids]
        return heat_report(
            found, curves, self.now, CATALOGUE.guide(found.pile.guide_id), rules, GAP
        ).model_dump_json()

    def said(self, pile_id: str = "pile-1") -> str:
        return self.book.report(pile_id, self.now).model_dump_json()


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    readings, registry = open_readings(tmp_path / "readings.db"), open_registry(tmp_path / "registry.db")
    registry.sites.add(Site("larkfield", "Larkfield Yard", "Europe/Dublin"))
    registry.piles.add(Pile("pile-1", "larkfield", "K-01", BUILT, rule_ids=("us-503-pfrp-windrow",)))
    registry.piles.add(Pile("pile-2", "larkfield", "K-02", BUILT))
    registry.probes.heard("larkfield", "P-01", BUILT, {})
    registry.probes.place(Placement("stay-1", "larkfield", "P-01", "pile-1", Span(BUILT), "middle"))
    yield Yard(readings, registry, HeatBook(readings, registry, CATALOGUE, GAP))
    readings.close()
    registry.close()


def test_a_report_follows_what_is_stored(yard: Yard) -> None:
    assert yard.hours() is None
    yard.hear(KEY, 0, 60, 60, 60)
    assert yard.hours() == 2
    yard.hear(KEY, 3, 60, 60)
    assert yard.hours() == 4
    assert yard.hours("pile-2") is None
    assert yard.said() == yard.afresh()


def test_late_readings_and_a_new_depth_are_taken_in(yard: Yard) -> None:
    yard.hear(KEY, 0, 60, 60)
    yard.hear(KEY, 8, 60, 60)
    assert yard.hours() == 2
    yard.hear(KEY, 2, *[60.0] * 6)
    assert yard.hours() == 9
    yard.hear(OTHER, 0, *[66.0] * 10)
    assert yard.hours(threshold="65") == 9
    assert yard.said() == yard.afresh()


def test_withdrawn_readings_leave_no_trace(yard: Yard) -> None:
    yard.hear(KEY, 0, *[60.0] * 10)
    assert yard.hours() == 9
    yard.readings.withdraw([(KEY, Millis(BUILT + k * HOUR)) for k in range(3, 7)])
    assert yard.hours() == 4
    assert yard.said() == yard.afresh()


def test_a_report_of_an_instant_past_knows_nothing_later(yard: Yard) -> None:
    yard.hear(KEY, 0, *[60.0] * 10)
    yard.registry.piles.add_turn(Turn("turn-1", "pile-1", Millis(BUILT + 6 * HOUR)))
    assert yard.hours() == 8
    then = yard.book.report("pile-1", Millis(BUILT + 5 * HOUR))
    assert (then.hottest.hours_above["55"], then.turns, len(then.cycles)) == (5, [], 1)
    assert yard.hours() == 8


def test_a_reading_from_a_clock_that_runs_ahead_waits_for_its_time(yard: Yard) -> None:
    yard.hear(KEY, 0, 60, 60, 60)
    now = Millis(BUILT + 90 * MINUTE)
    assert yard.book.report("pile-1", now).hottest.hours_above["55"] == 1
    assert yard.book.report("pile-1", Millis(now + HOUR)).hottest.hours_above["55"] == 2


def test_a_turn_a_move_a_calibration_and_a_changed_pile_make_the_sums_anew(yard: Yard) -> None:
    yard.hear(KEY, 0, *[54.5] * 11)
    assert yard.hours() == 0
    yard.registry.probes.calibrate(Calibration("c-1", "larkfield", "P-01", "45", 1.0, BUILT))
    assert yard.hours() == 10
    yard.registry.piles.add_turn(Turn("turn-1", "pile-1", Millis(BUILT + 5 * HOUR)))
    assert yard.hours() == 9
    yard.registry.piles.change_turn("turn-1", state="declined")
    assert yard.hours() == 10
    yard.registry.probes.change_placement("stay-1", span=Span(BUILT, Millis(BUILT + 6 * HOUR)))
    assert yard.hours() == 5
    yard.registry.probes.place(
        Placement("stay-2", "larkfield", "P-01", "pile-2", Span(Millis(BUILT + 6 * HOUR)), "top")
    )
    assert yard.hours("pile-2") == 4
    assert yard.said() == yard.afresh()
    yard.registry.piles.change("pile-2", guide_id="five-turns", rule_ids=("us-ca-static",))
    changed = yard.book.report("pile-2", yard.now)
    assert (changed.turn.guide, [rule.id for rule in changed.rules]) == ("five-turns", ["us-ca-static"])


def test_a_remark_leaves_a_dead_sensor_out_and_another_takes_it_in_again(yard: Yard) -> None:
    yard.hear(KEY, 0, *[60.0] * 11)
    yard.hear(OTHER, 0, *[60.0] * 5)
    coldest = [yard.book.report("pile-1", yard.now).coldest.hours_above["55"]]
    told = {"probe": "P-01", "depth": "15"}
    note = FieldNote("n-1", "pile-1", "remark", Millis(BUILT + 4 * HOUR), "cable cut", {"leave_out": told})
    yard.registry.piles.add_note(note)
    coldest.append(yard.book.report("pile-1", yard.now).coldest.hours_above["55"])
    back = replace(note, id="n-2", at=Millis(BUILT + 8 * HOUR), text="", figures={"take_in": told})
    yard.registry.piles.add_note(back)
    report = yard.book.report("pile-1", yard.now)
    assert [*coldest, report.coldest.hours_above["55"]] == [4, 10, 8]
    assert [one.left_out for one in report.sensors] == [None, None]


def test_who_polls_hears_of_every_change_once(yard: Yard) -> None:
    assert yard.book.poll("watch") == {"pile-1", "pile-2"}
    assert yard.book.poll("watch") == set()
    yard.hear(KEY, 0, 60)
    assert yard.book.poll("watch") == {"pile-1"}
    assert yard.book.poll("watch") == set()
    yard.registry.piles.add_turn(Turn("turn-1", "pile-2", BUILT))
    yard.hear(KEY, 1, 60)
    assert yard.book.poll("other") == {"pile-1", "pile-2"}
    assert yard.book.poll("watch") == {"pile-1", "pile-2"}
    yard.registry.piles.add(Pile("pile-3", "larkfield", "K-03", BUILT))
    assert yard.book.poll("watch") == {"pile-3"}
    yard.registry.piles.change("pile-3", finished_at=Millis(BUILT + DAY))
    assert yard.book.poll("watch") == {"pile-3"}


def test_a_reading_of_no_placed_probe_or_of_no_temperature_changes_no_pile(yard: Yard) -> None:
    yard.book.poll("watch")
    yard.hear(SensorKey("larkfield", "P-77", "45"), 0, 60)
    yard.hear(SensorKey("larkfield", "P-01", "", "battery_percent"), 0, 88)
    assert yard.book.poll("watch") == set()


def test_readings_that_wait_for_a_placement_count_once_the_probe_is_placed(yard: Yard) -> None:
    late = SensorKey("larkfield", "P-05", "30")
    yard.hear(late, 0, *[60.0] * 6)
    assert yard.hours("pile-2") is None
    yard.registry.probes.place(
        Placement("stay-5", "larkfield", "P-05", "pile-2", Span(Millis(BUILT + HOUR)), "x")
    )
    assert yard.hours("pile-2") == 4


def test_history_shows_calibrated_values_with_their_reasons(yard: Yard) -> None:
    yard.registry.probes.calibrate(Calibration("c-1", "larkfield", "P-01", "45", 0.5, BUILT))
    yard.hear(KEY, 0, 60, -127, 61, step_ms=10 * MINUTE)
    history = yard.book.history("pile-1")
    (one,) = history.sensors
    assert one.celsius.tolist() == [60.5, -126.5, 61.5]
    assert one.reason.tolist() == [Reason.GOOD, Reason.SENTINEL, Reason.GOOD]
    assert (one.key, one.placement.id, history.pile.peg) == (KEY, "stay-1", "K-01")
    assert yard.book.report("pile-1", BUILT).sensors[0].readings == 1


def test_there_is_no_report_of_a_pile_that_is_not_there(yard: Yard) -> None:
    with pytest.raises(NotFound):
        yard.book.report("pile-9", BUILT)


def test_only_a_few_finished_piles_stay_in_memory(yard: Yard) -> None:
    for number in range(FINISHED_AT_HAND + 5):
        id_ = f"old-{number:02d}"
        yard.registry.piles.add(Pile(id_, "larkfield", id_, BUILT, finished_at=Millis(BUILT + DAY)))
    yard.hours()
    for number in range(FINISHED_AT_HAND + 5):
        assert yard.book.report(f"old-{number:02d}", yard.now).phase in {"finished", "unknown"}
    assert len(yard.book._entries) == FINISHED_AT_HAND + 1


@dataclass
class Faltering:
    """A readings store that fails when told to, and counts what is read."""

    inner: ReadingsStore
    fails: int = 0
    rows_read: int = 0

    def read(self, sensor: SensorKey, span: Span) -> Curve:
        if self.fails:
            self.fails -= 1
            raise StoreBusy("locked")
        curve = self.inner.read(sensor, span)
        self.rows_read += len(curve)
        return curve

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
