from __future__ import annotations

from dataclasses import replace
from datetime import time
from typing import Any

import pytest

from alerts.conditions.table import CONDITIONS
from alerts.policy import STEPS, Circumstances, Decision, Hold, Tell, Telling, Withhold, decide
from alerts.policy_times import Quiet
from alerts.snapshot import StepReason
from shared.episodes import Episode, NoticeKind, Severity
from shared.people import Person
from shared.times import DAY, HOUR, Millis, parse_time
from tests.alerts.made import NOW

NIGHT = parse_time("2026-11-25T23:00:00Z")
QUIET = Quiet(time(22), time(6, 30))
ADA = Person("ada", "Ada", "Europe/Dublin")


def an_episode(kind: NoticeKind = "turn_due", severity: Severity = "act", **more: Any) -> Episode:
    fields: dict[str, Any] = {"state": "open", "opened_at": NOW, "reason": "so", "subject": ""} | more
    return Episode(id="e", kind=kind, site="larkfield", pile_id="pile-1", severity=severity, **fields)


def decided(
    episode: Episode | None = None,
    reason: StepReason = "first",
    *,
    person: Person = ADA,
    now: int = NOW,
    step: str | None = None,
    **about: Any,
) -> Decision:
    told = episode or an_episode()
    circumstances = Circumstances(Millis(now), CONDITIONS[told.kind], QUIET, **about)
    return decide(Telling(told, person, reason, step or reason), circumstances)


def test_what_nothing_speaks_against_is_told() -> None:
    assert decided() == Tell()


def test_every_step_is_listed_under_its_own_name() -> None:
    assert [name for name, step in STEPS] == [step.__name__ for _, step in STEPS]
    assert len(STEPS) == len({name for name, _ in STEPS})


def test_old_news_is_noted_and_not_told() -> None:
    rule = an_episode("rule_met", "info")
    assert decided(rule, since=Millis(NOW - 4 * DAY)) == Withhold("old_news")
    assert decided(rule, since=Millis(NOW - 2 * DAY)) == Tell()
    assert decided(an_episode("turn_due"), since=Millis(NOW - 9 * DAY)) == Tell()


@pytest.mark.parametrize(("doer", "told"), [("Ada", False), ("ada", False), ("Ben", True), ("", True)])
def test_nobody_is_told_of_what_he_did_himself(doer: str, told: bool) -> None:
    assert (decided(reason="resolved", doer=doer) == Tell()) is told


def test_the_same_again_soon_after_it_was_over_waits() -> None:
    silent = an_episode("probe_silent")
    earlier = replace(silent, resolved_at=Millis(NOW - HOUR))
    assert decided(silent, told_before={"ada": earlier}) == Withhold("already_told", Millis(NOW + 11 * HOUR))
    assert decided(silent, told_before={"ben": earlier}) == Tell()
    assert decided(silent, told_before={"ada": replace(earlier, severity="info")}) == Tell()
    assert (
        decided(silent, told_before={"ada": replace(earlier, resolved_at=Millis(NOW - 13 * HOUR))}) == Tell()
    )


def test_an_answer_is_respected() -> None:
    assert decided(an_episode(state="acknowledged"), "reminder") == Withhold("acknowledged")
    assert decided(an_episode(state="acknowledged"), "worse") == Tell()
    until = Millis(NOW + HOUR)
    assert decided(an_episode(state="snoozed", snoozed_until=until)) == Withhold("snoozed", until)
    assert decided(an_episode(state="snoozed", snoozed_until=until), "resolved") == Tell()


def test_whoever_answered_turn_due_has_half_a_day_before_turn_overdue_is_told() -> None:
    overdue = an_episode("turn_overdue", holds={"answered_at": NOW - 5 * HOUR})
    assert decided(overdue) == Withhold("acknowledged", Millis(NOW + 7 * HOUR))
    assert decided(overdue, now=NOW + 7 * HOUR) == Tell()


def test_a_silent_probe_of_a_silent_site_adds_nothing_for_whoever_heard_of_the_site() -> None:
    silent = an_episode("probe_silent")
    assert decided(silent, told_of_parent=frozenset({"ada"})) == Withhold("parent_trouble")
    assert decided(silent, told_of_parent=frozenset({"ben"})) == Tell()
    assert decided(an_episode("turn_due"), told_of_parent=frozenset({"ada"})) == Tell()


def test_off_duty_it_waits_unless_it_is_urgent_and_nobody_else_is_there() -> None:
    busy = replace(ADA, on_duty="Mon-Fri 13:00-18:00")  # it is noon on a Wednesday
    assert decided(person=busy) == Hold("off_duty", parse_time("2026-11-25T13:00:00Z"))
    fire = an_episode("fire_watch", "urgent")
    assert isinstance(decided(fire, person=busy, others_on_duty=True), Withhold)
    assert decided(fire, person=busy, others_on_duty=False) == Tell()
    assert isinstance(decided(fire, "resolved", person=busy), Hold)


@pytest.mark.parametrize("hours", ["weekdays", "Mon-Fry 7-8", "25:00-26:00"])
def test_hours_that_cannot_be_read_silence_nobody(hours: str) -> None:
    assert decided(person=replace(ADA, on_duty=hours)) == Tell()


def test_a_reminder_waits_while_the_pile_was_spoken_of_lately() -> None:
    lately = {"ada": Millis(NOW - HOUR)}
    assert decided(reason="reminder", step="reminder.1", pile_told_at=lately) == Withhold(
        "told_lately", Millis(NOW + 5 * HOUR), noted=False
    )
    assert decided(reason="first", pile_told_at=lately) == Tell()
    assert decided(reason="reminder", step="snooze_over.1", pile_told_at=lately) == Tell()
    urgent = an_episode("fire_watch", "urgent")
    assert decided(urgent, "reminder", step="reminder.1", pile_told_at=lately) == Tell()


@pytest.mark.parametrize(
    ("due_said", "now", "told"),
    [
        (
            "2026-11-25T19:00:00Z",
            "2026-11-26T07:00:00Z",
            False,
        ),  # three hours in the evening, half an hour since
        ("2026-11-25T19:00:00Z", "2026-11-26T09:30:00Z", True),
        ("2026-11-25T23:00:00Z", "2026-11-26T12:00:00Z", False),  # held until half past six
        ("2026-11-25T23:00:00Z", "2026-11-26T12:30:00Z", True),
        ("2026-11-25T08:00:00Z", "2026-11-25T09:00:00Z", True),  # by day the guide's own time is enough
    ],
)
def test_after_a_night_turn_overdue_waits_until_there_were_waking_hours_to_turn_in(
    due_said: str, now: str, told: bool
) -> None:
    said = {"ada": parse_time(due_said)}
    decision = decided(an_episode("turn_overdue"), now=parse_time(now), pile_said_at=said)
    assert (decision == Tell()) is told


def test_a_pile_turned_today_is_not_to_be_turned_again_today_unless_that_was_in_vain() -> None:
    turned = {"last_turn_at": NOW - 4 * HOUR}
    kinds: tuple[NoticeKind, ...] = ("turn_soon", "turn_due", "cool_pile")
    for kind in kinds:
        hot = an_episode(kind, figures=turned | {"hottest_c": 71.0})
        assert decided(hot) == Withhold("just_turned", Millis(NOW + 8 * HOUR))
        assert decided(hot, now=NOW + 8 * HOUR) == Tell()
    assert decided(an_episode("cool_pile", figures=turned | {"hottest_c": 75.0})) == Tell()
    assert decided(an_episode("fire_watch", "urgent", figures=turned | {"hottest_c": 71.0})) == Tell()


def test_at_night_only_what_is_urgent_passes() -> None:
    morning = parse_time("2026-11-26T06:30:00Z")
    assert decided(now=NIGHT) == Hold("quiet_hours", morning)
    fire = an_episode("fire_watch", "urgent")
    assert decided(fire, now=NIGHT) == Tell()
    assert decided(fire, "resolved", now=NIGHT) == Hold("quiet_hours", morning)


def test_the_night_is_that_of_the_persons_own_zone() -> None:
    assert decided(now=NIGHT, person=replace(ADA, zone="America/New_York")) == Tell()
    assert isinstance(decided(now=NIGHT, person=replace(ADA, zone="Not/AZone")), Hold)
