from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from alerts.conditions.verdict import Condition, Verdict, VerdictState
from alerts.lifecycle import Change, Place, advance, carried_on, close_all, episode_id
from shared.episodes import Episode, Severity
from shared.times import HOUR, MINUTE, Millis
from tests.alerts.made import NOW

PLACE = Place("larkfield", "pile-1")
HOT = Condition("cool_pile", ("pile",), lambda _: [], close_hold_ms=HOUR)


def a_verdict(state: VerdictState, severity: Severity = "act", **more: Any) -> Verdict:
    return Verdict(state, f"it_is_{state}", severity, **more)


def step(episodes: list[Episode], verdict: Verdict, at: int, condition: Condition = HOT) -> Change:
    (change,) = advance(condition, [verdict], episodes, PLACE, Millis(at))
    return change


def opened(at: int = NOW, **more: Any) -> Episode:
    return step([], a_verdict("bad", **more), at).episode


def test_it_opens_once_and_stays_itself() -> None:
    first = step([], a_verdict("bad"), NOW)
    assert (first.event, first.episode.state, first.episode.opened_at) == ("opened", "open", NOW)
    again = step([first.episode], a_verdict("bad"), NOW + MINUTE)
    assert (again.event, again.episode) == ("none", first.episode)


def test_the_same_opening_has_the_same_id_and_sorts_by_time() -> None:
    assert opened().id == opened().id
    assert opened().id < opened(NOW + MINUTE).id
    assert episode_id("cool_pile", PLACE, "", Millis(NOW)) != episode_id(
        "cool_pile", PLACE, "p-01", Millis(NOW)
    )


def test_it_closes_only_once_it_was_well_for_as_long_as_the_hold() -> None:
    clearing = step([opened()], a_verdict("ok"), NOW + HOUR)
    assert (clearing.event, clearing.episode.clear_since) == ("none", NOW + HOUR)
    assert clearing.look_again_at == NOW + 2 * HOUR
    still = step([clearing.episode], a_verdict("ok"), NOW + 2 * HOUR - 1)
    assert still.event == "none"
    over = step([still.episode], a_verdict("ok"), NOW + 2 * HOUR)
    assert (over.event, over.episode.state, over.episode.resolved_reason) == (
        "resolved",
        "resolved",
        "it_is_ok",
    )


def test_one_bad_or_unknown_look_begins_the_hold_anew() -> None:
    states: tuple[VerdictState, ...] = ("bad", "unknown")
    for state in states:
        clearing = step([opened()], a_verdict("ok"), NOW + HOUR).episode
        back = step([clearing], a_verdict(state), NOW + HOUR + MINUTE).episode
        assert back.clear_since is None
        assert step([back], a_verdict("ok"), NOW + 3 * HOUR).event == "none"


def test_the_hold_is_the_same_after_a_restart() -> None:
    clearing = step([opened()], a_verdict("ok"), NOW + HOUR).episode
    stored = replace(clearing)  # what comes back from the registry is equal
    assert step([stored], a_verdict("ok"), NOW + 2 * HOUR).event == "resolved"


def test_unknown_neither_opens_nor_closes() -> None:
    assert advance(HOT, [a_verdict("unknown")], [], PLACE, NOW) == []
    assert step([opened()], a_verdict("unknown"), NOW + 99 * HOUR).episode.state == "open"


def test_it_gets_worse_and_never_quietly_better() -> None:
    episode = opened(severity="info")
    worse = step([episode], a_verdict("bad", "act"), NOW + MINUTE)
    assert (worse.event, worse.episode.severity, worse.episode.worsened_at) == ("worse", "act", NOW + MINUTE)
    less = step([worse.episode], a_verdict("bad", "info"), NOW + HOUR)
    assert (less.event, less.episode.severity) == ("none", "act")


def test_an_answer_to_the_lesser_trouble_is_none_to_the_greater() -> None:
    answered = replace(opened(), state="acknowledged", acknowledged_at=NOW, acknowledged_by="Ada")
    worse = step([answered], a_verdict("bad", "urgent"), NOW + MINUTE).episode
    assert (worse.state, worse.acknowledged_at, worse.acknowledged_by) == ("open", None, "")


def test_only_what_is_urgent_breaks_a_snooze() -> None:
    asleep = replace(opened(severity="info"), state="snoozed", snoozed_until=Millis(NOW + 9 * HOUR))
    assert step([asleep], a_verdict("bad", "act"), NOW + MINUTE).episode.state == "snoozed"
    assert step([asleep], a_verdict("bad", "urgent"), NOW + MINUTE).episode.state == "open"


def test_a_snooze_ends_when_its_time_has_come() -> None:
    asleep = replace(opened(), state="snoozed", snoozed_until=Millis(NOW + HOUR))
    before = step([asleep], a_verdict("bad"), NOW + HOUR - 1)
    assert (before.event, before.look_again_at) == ("none", NOW + HOUR)
    after = step([asleep], a_verdict("bad"), NOW + HOUR)
    assert (after.event, after.episode.state, after.episode.snoozed_until) == ("snooze_over", "open", None)


def test_what_never_was_is_corrected_and_what_was_answered_is_resolved() -> None:
    episode = opened(anchor=5)
    undone = a_verdict("ok", anchor=5, undone=True, hold_ms=0)
    assert step([episode], undone, NOW + HOUR).event == "corrected"
    turned = step([episode], a_verdict("ok", anchor=6, undone=True, hold_ms=0), NOW + HOUR)
    assert (turned.event, turned.episode.resolved_reason) == ("resolved", "turned")


def test_well_since_before_it_opened_is_a_correction() -> None:
    early = step([opened()], a_verdict("ok", since=Millis(NOW - HOUR), hold_ms=0), NOW + HOUR)
    late = step([opened()], a_verdict("ok", since=Millis(NOW + MINUTE), hold_ms=0), NOW + HOUR)
    assert (early.event, late.event) == ("corrected", "resolved")


def test_a_subject_that_is_gone_is_over_without_a_word() -> None:
    episode = opened(subject="p-01")
    (change,) = advance(HOT, [], [episode], PLACE, Millis(NOW + HOUR))
    assert (change.event, change.quiet, change.episode.resolved_reason) == (
        "resolved",
        True,
        "no_longer_here",
    )


def test_a_finished_pile_closes_everything_without_a_word() -> None:
    (change,) = close_all([opened()], Millis(NOW + HOUR), "pile_finished")
    assert (change.event, change.quiet, change.episode.resolved_at) == ("resolved", True, NOW + HOUR)


def a_link(kind: Any, **more: Any) -> Episode:
    return replace(opened(), kind=kind, **more)


def test_the_turn_chain_remembers_since_when_nobody_answers() -> None:
    new = Change(a_link("turn_overdue", opened_at=Millis(NOW + 12 * HOUR)), "opened")
    assert carried_on(new, [a_link("turn_due")]).episode.holds["unanswered_since"] == NOW
    answered = a_link("turn_due", state="acknowledged", acknowledged_at=Millis(NOW + HOUR))
    holds = carried_on(new, [answered]).episode.holds
    assert (holds.get("unanswered_since"), holds["answered_at"]) == (None, NOW + HOUR)


def test_a_snooze_lasts_through_the_turn_chain() -> None:
    new = Change(a_link("turn_overdue", opened_at=Millis(NOW + 12 * HOUR)), "opened")
    asleep = a_link("turn_due", state="snoozed", snoozed_until=Millis(NOW + 20 * HOUR))
    assert carried_on(new, [asleep]).episode.state == "snoozed"
    awake = replace(asleep, snoozed_until=Millis(NOW + HOUR))
    assert carried_on(new, [awake]).episode.state == "open"


@given(st.lists(st.tuples(st.sampled_from(["bad", "ok", "unknown"]), st.integers(1, 90)), max_size=60))
def test_whatever_comes_it_is_resolved_only_after_a_whole_hold_of_ok(
    looks: list[tuple[VerdictState, int]],
) -> None:
    now, episode = int(NOW), opened()
    ok_since: int | None = None
    for state, minutes in looks:
        now += minutes * MINUTE
        change = step([episode], a_verdict(state), now)
        ok_since = (now if ok_since is None else ok_since) if state == "ok" else None
        assert (change.event == "resolved") == (ok_since is not None and now - ok_since >= HOUR)
        if change.event == "resolved":
            break
        episode = change.episode
