"""The book on real stores: what changed is noticed, late and withdrawn readings too, and nothing is worked out twice."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shared.heat.screening import Reason
from shared.heat_engines import FINISHED_AT_HAND
from shared.piles import FieldNote, Pile, Placement, Turn
from shared.ports import NotFound, SensorSummary
from shared.probes import Calibration
from shared.readings import SensorKey
from shared.times import DAY, HOUR, MINUTE, Millis, Span
from tests.heat.book_yard import BUILT, KEY, OTHER, Yard


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
    assert len(yard.book._engines._entries) == FINISHED_AT_HAND + 1


def test_many_new_piles_ask_for_the_sensors_of_their_sites_alone(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole list for every sixteen piles would be read a thousand times where there are thousands of piles."""
    yard.hear(KEY, 0, 60, 60)
    yard.hear(SensorKey("meadow", "P-01", "45"), 0, 60, 60)
    asked: list[str | None] = []
    really = yard.readings.sensors

    def noted(site: str | None = None, probe: str | None = None) -> list[SensorSummary]:
        asked.append(site)
        return really(site, probe)

    monkeypatch.setattr(yard.readings, "sensors", noted)
    reports = yard.book.reports(["pile-1", "pile-2"], yard.now)
    assert (reports["pile-1"].hottest.hours_above["55"], asked) == (1, ["larkfield"])
