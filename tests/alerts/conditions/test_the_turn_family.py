from __future__ import annotations

import pytest

from alerts.conditions import cool_pile, turn_due, turn_overdue, turn_soon
from alerts.conditions.verdict import Condition, Verdict
from alerts.snapshot import Snapshot
from shared.heat.report import RungHours, TurnStateNow
from tests.alerts.made import HOUR, NOW, a_snapshot

CHAIN = (turn_soon.CONDITION, turn_due.CONDITION, turn_overdue.CONDITION)


def one(condition: Condition, snapshot: Snapshot) -> Verdict:
    (verdict,) = condition.judge(snapshot)
    return verdict


@pytest.mark.parametrize(
    ("state", "verdicts"),
    [
        ("not_yet", ("ok", "ok", "ok")),
        ("soon", ("bad", "ok", "ok")),
        ("due", ("ok", "bad", "ok")),
        ("overdue", ("ok", "ok", "bad")),
        ("none", ("ok", "ok", "ok")),
    ],
)
def test_one_link_of_the_chain_holds_at_a_time(state: TurnStateNow, verdicts: tuple[str, ...]) -> None:
    snapshot = a_snapshot(state=state, load=0.9, due_at=NOW)
    assert tuple(one(condition, snapshot).state for condition in CHAIN) == verdicts


def test_soon_is_for_knowing_and_due_is_for_doing() -> None:
    assert one(CHAIN[0], a_snapshot(state="soon")).severity == "info"
    assert one(CHAIN[1], a_snapshot(state="due")).severity == "act"
    assert one(CHAIN[2], a_snapshot(state="overdue", due_at=NOW - 13 * HOUR)).severity == "act"


def test_a_load_that_is_not_known_says_nothing() -> None:
    snapshot = a_snapshot(state="none", load=None)
    assert [one(condition, snapshot).state for condition in CHAIN] == ["unknown"] * 3


def test_the_next_link_takes_over_without_a_word_and_a_step_back_is_a_correction() -> None:
    onward = one(turn_due.CONDITION, a_snapshot(state="overdue", due_at=NOW - 13 * HOUR))
    back = one(turn_due.CONDITION, a_snapshot(state="soon", due_at=NOW + HOUR))
    assert (onward.quiet, onward.undone) == (True, False)
    assert (back.quiet, back.undone) == (False, True)


def test_a_turn_counts_as_an_answer_before_anything_is_read_after_it() -> None:
    snapshot = a_snapshot(
        state="none", load=None, hottest_c=None, turned=(NOW - HOUR,), measured_at=NOW - 2 * HOUR
    )
    verdict = one(turn_due.CONDITION, snapshot)
    assert (verdict.state, verdict.anchor, verdict.hold_ms) == ("ok", NOW - HOUR, 0)


def test_heat_that_is_over_ends_it_without_calling_it_a_mistake() -> None:
    verdict = one(turn_due.CONDITION, a_snapshot(state="none", load=1.2, phase="curing"))
    assert (verdict.state, verdict.reason, verdict.undone) == ("ok", "no_turn_wanted", False)


def test_time_alone_brings_the_next_look() -> None:
    soon = one(turn_due.CONDITION, a_snapshot(state="not_yet", due_at=NOW + 10 * HOUR))
    assert soon.look_again_at == NOW + 4 * HOUR
    due = one(turn_due.CONDITION, a_snapshot(state="soon", due_at=NOW + 4 * HOUR))
    assert due.look_again_at == NOW + 4 * HOUR
    overdue = one(turn_due.CONDITION, a_snapshot(state="due", due_at=NOW - HOUR))
    assert overdue.look_again_at == NOW + 11 * HOUR


def test_the_figures_say_how_far_along_it_is() -> None:
    figures = one(
        turn_overdue.CONDITION, a_snapshot(state="overdue", load=1.3, due_at=NOW - 13 * HOUR, counted=1)
    ).figures
    assert figures["late_h"] == 13
    assert (figures["turns_counted"], figures["turns_required"], figures["load"]) == (1, 3, 1.3)
    assert figures["hottest_c"] == 60.0


def test_a_turn_before_the_next_round_is_said_when_someone_is_called_anyway() -> None:
    def soon(left: int, ahead: int) -> Verdict:
        return one(turn_soon.CONDITION, a_snapshot(state="not_yet", due_at=NOW + left, ahead_ms=ahead))

    assert soon(11 * HOUR, 0).state == "unknown"  # opens nothing, closes nothing
    assert soon(11 * HOUR, turn_soon.AHEAD_MS).reason == "due_before_the_next_round"
    assert soon(13 * HOUR, turn_soon.AHEAD_MS).state == "unknown"
    assert soon(16 * HOUR, turn_soon.AHEAD_MS).state == "ok"


RUNGS = [
    RungHours(from_c=55.0, hold_h=72.0, hours=6.0, hours_over=32.0),
    RungHours(from_c=60.0, hold_h=48.0, hours=4.0, hours_over=26.0),
    RungHours(from_c=65.0, hold_h=24.0, hours=22.0, hours_over=22.0),
]


def test_the_figures_are_those_of_the_guides_heaviest_rung() -> None:
    figures = one(turn_due.CONDITION, a_snapshot(state="due", due_at=NOW, rungs=RUNGS)).figures
    assert (figures["threshold_c"], figures["hours"], figures["limit_h"]) == (65.0, 22.0, 24.0)
    assert [rung["hours"] for rung in figures["rungs"]] == [6.0, 4.0, 22.0]
    top = RungHours(from_c=70.0, hold_h=0.0, hours=0.5, hours_over=0.5)
    figures = one(turn_due.CONDITION, a_snapshot(state="due", due_at=NOW, rungs=[*RUNGS, top])).figures
    assert (figures["threshold_c"], figures["hours"], figures["limit_h"]) == (70.0, 0.5, 0.0)
    hot = one(cool_pile.CONDITION, a_snapshot(state="due", hottest_c=71.0, rungs=[*RUNGS, top])).figures
    assert (hot["threshold_c"], hot["hours"], "limit_h" in hot) == (70.0, 0.5, False)


def test_soon_carries_how_early_and_how_late_the_outlook_puts_it() -> None:
    band = (NOW + HOUR, NOW + 5 * HOUR)
    figures = one(turn_soon.CONDITION, a_snapshot(state="soon", due_at=NOW + 3 * HOUR, outlook=band)).figures
    assert (figures["earliest_at"], figures["latest_at"]) == band
