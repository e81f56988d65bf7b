from __future__ import annotations

from pathlib import Path

from shared.people import Channel, Subscription
from shared.settings import Settings
from shared.times import DAY, HOUR, MINUTE, Millis, iso, parse_time
from tests.alerts.watched import Yard


def a_due_pile(yard: Yard, peg: str = "K-01") -> None:
    pile = yard.pile(peg)
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()


def test_reminders_come_until_someone_acknowledges_and_then_there_is_silence(yard: Yard) -> None:
    yard.person("Ada")
    a_due_pile(yard)
    began = yard.now
    yard.pass_time(3 * DAY, step=HOUR)
    assert [(n.reason, (n.at - began) // HOUR) for n in yard.told()] == [
        ("first", 0),
        ("reminder", 12),
        ("reminder", 36),
    ]
    yard.answer("turn_due", state="acknowledged", acknowledged_at=yard.now, acknowledged_by="Ada")
    yard.pass_time(3 * DAY, step=HOUR)
    assert len(yard.told()) == 3


def test_a_reminder_of_a_restart_is_the_same_reminder(yard: Yard) -> None:
    yard.person("Ada")
    a_due_pile(yard)
    yard.pass_time(11 * HOUR)
    yard.restart()
    yard.pass_time(2 * HOUR)
    yard.restart()
    yard.tick(times=3)
    assert [n.reason for n in yard.told()] == ["first", "reminder"]


def test_what_is_urgent_is_repeated_soon_and_then_less_often(yard: Yard) -> None:
    yard.person("Ada")
    yard.is_so(yard.pile(), risk="danger", hottest_c=78.0)
    yard.tick()
    began = yard.now
    yard.pass_time(4 * HOUR, step=5 * MINUTE)
    assert [(n.reason, (n.at - began) // MINUTE) for n in yard.told() if n.kind == "fire_watch"] == [
        ("first", 0),
        ("reminder", 15),
        ("reminder", 45),
        ("reminder", 105),
        ("reminder", 225),
    ]


def test_a_snooze_is_silent_until_it_ends(yard: Yard) -> None:
    yard.person("Ada")
    a_due_pile(yard)
    yard.answer("turn_due", state="snoozed", snoozed_until=Millis(yard.now + 20 * HOUR))
    yard.pass_time(19 * HOUR)
    assert [n.reason for n in yard.told()] == ["first"]
    yard.pass_time(2 * HOUR)
    assert [n.reason for n in yard.told()] == ["first", "reminder"]
    assert yard.episode("turn_due").state == "open"


def test_a_snooze_that_ends_before_anything_else_is_due_is_noticed(yard: Yard) -> None:
    yard.person("Ada")
    a_due_pile(yard)
    yard.answer("turn_due", state="snoozed", snoozed_until=Millis(yard.now + HOUR))
    yard.pass_time(70 * MINUTE)
    assert [n.reason for n in yard.told()] == ["first", "reminder"]


def test_the_next_person_is_told_when_nobody_answers(yard: Yard) -> None:
    yard.person("Cor", subscribed=False)
    yard.person("Ben", subscribed=False, escalate_to="cor")
    yard.person("Ada", escalate_to="ben")
    a_due_pile(yard)
    yard.pass_time(11 * HOUR)
    assert yard.told("Ben") == []
    yard.pass_time(2 * HOUR)
    assert [n.reason for n in yard.told("Ben")] == ["escalated"]
    yard.pass_time(13 * HOUR)
    assert [n.reason for n in yard.told("Cor")] == ["escalated"]


def test_an_answer_keeps_the_next_person_out_of_it(yard: Yard) -> None:
    yard.person("Ben", subscribed=False)
    yard.person("Ada", escalate_to="ben")
    a_due_pile(yard)
    yard.answer("turn_due", state="acknowledged", acknowledged_at=yard.now, acknowledged_by="Ada")
    yard.pass_time(2 * DAY)
    assert yard.told("Ben") == []


def test_the_chain_of_turns_going_unanswered_counts_from_its_beginning(yard: Yard) -> None:
    yard.person("Ben", subscribed=False)
    yard.person("Ada", escalate_to="ben")
    pile = yard.pile()
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    yard.pass_time(11 * HOUR)
    yard.is_so(pile, state="overdue", load=1.3, due_at=yard.now - 11 * HOUR)
    yard.pass_time(HOUR)
    yard.tick()
    assert [(n.kind, n.reason) for n in yard.told("Ben")] == [("turn_overdue", "escalated")]


def test_an_answer_to_turn_soon_stands_for_turn_due_but_not_for_turn_overdue(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="soon", load=0.9, due_at=yard.now + 6 * HOUR)
    yard.tick()
    yard.answer("turn_soon", state="acknowledged", acknowledged_at=yard.now, acknowledged_by="Ada")
    yard.clock.at += 6 * HOUR
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.pass_time(10 * HOUR)
    assert yard.says() == [("turn_soon", "first")]
    assert [(n.kind, n.reason) for n in yard.withheld()] == [("turn_due", "acknowledged")]
    yard.is_so(pile, state="overdue", load=1.4, due_at=yard.now - 12 * HOUR)
    yard.tick()
    assert yard.says()[-1] == ("turn_overdue", "first")


def test_something_that_gets_worse_is_told_again_though_it_was_acknowledged(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile(built_at=yard.now - 4 * DAY)
    yard.is_so(pile, peak_c=40.0, hottest_c=38.0, phase="heating", load=0.0)
    yard.tick()
    yard.answer("not_heating", state="acknowledged", acknowledged_at=yard.now, acknowledged_by="Ada")
    yard.pass_time(3 * DAY, step=HOUR)
    assert yard.says()[:2] == [("not_heating", "first"), ("not_heating", "worse")]
    assert yard.episode("not_heating").severity == "act"


def test_someone_who_subscribes_later_hears_what_is_still_to_be_done(yard: Yard) -> None:
    a_due_pile(yard)
    assert [n.reason for n in yard.withheld()] == ["nobody_subscribed"]
    yard.person("Ada")
    yard.pass_time(MINUTE, step=MINUTE)
    assert yard.says("Ada") == [("turn_due", "first")]


def test_a_person_without_a_way_is_noted_and_told_once_there_is_one(yard: Yard) -> None:
    ada = yard.person("Ada", ways=0)
    a_due_pile(yard)
    assert [n.reason for n in yard.withheld("Ada")] == ["no_channel"]
    yard.registry.people.add_channel(Channel("late", ada.id, "email", "ada@example.org"))
    yard.pass_time(MINUTE, step=MINUTE)
    assert yard.says("Ada") == [("turn_due", "first")]


def test_only_what_was_asked_for_is_told(yard: Yard) -> None:
    yard.person("Ada", kinds=("probe_silent",))
    yard.person("Ben", min_severity="urgent")
    cor = yard.person("Cor", subscribed=False)
    other = yard.pile("K-02")
    yard.registry.people.subscribe(Subscription("sub", cor.id, pile_id=other.id))
    a_due_pile(yard, "K-01")
    assert yard.told() == []
    yard.is_so(other, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    assert [(n.person_id, n.peg) for n in yard.told()] == [("cor", "K-02")]


NIGHT = Settings.model_validate({"quiet_hours": {"from": "21:00", "to": "06:30"}})


def a_night(tmp_path: Path, at: str) -> Yard:
    yard = Yard(tmp_path, NIGHT)
    yard.clock.at = parse_time(at)
    return yard


def test_what_can_wait_is_held_until_the_morning_and_sent_if_it_is_still_so(tmp_path: Path) -> None:
    yard = a_night(tmp_path, "2026-11-25T23:00:00Z")
    yard.person("Ada")
    a_due_pile(yard)
    (notice,) = yard.told()
    assert notice.state == "held"
    assert iso(Millis(notice.not_before or 0)) == "2026-11-26T06:30:00Z"
    assert notice.figures["held_for"] == "quiet_hours"
    yard.pass_time(7 * HOUR)
    assert len(yard.told()) == 1
    assert [n.id for n in yard.registry.notices.claim(Millis(notice.not_before or 0), 1000, 10)] == [
        notice.id
    ]
    yard.close()


def test_what_is_over_before_the_morning_is_never_sent(tmp_path: Path) -> None:
    yard = a_night(tmp_path, "2026-11-25T23:00:00Z")
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    yard.pass_time(HOUR)
    yard.turn(pile, by="Ben")
    yard.pass_time(HOUR)
    assert yard.told() == []
    assert [n.reason for n in yard.withheld()] == ["over_before_told"]
    yard.close()


def test_a_message_that_waits_for_the_morning_gets_the_figures_of_the_morning(tmp_path: Path) -> None:
    yard = a_night(tmp_path, "2026-11-25T23:00:00Z")
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now, hottest_c=66.0)
    yard.tick()
    yard.pass_time(6 * HOUR)
    yard.is_so(pile, state="due", load=1.2, due_at=yard.now - 6 * HOUR, hottest_c=68.5)
    yard.tick()
    (notice,) = yard.told()
    assert notice.figures["hottest_c"] == 68.5
    assert "68.5" in notice.text
    yard.close()


def test_what_piles_up_about_one_pile_in_the_night_is_one_message_in_the_morning(tmp_path: Path) -> None:
    yard = a_night(tmp_path, "2026-11-25T23:00:00Z")
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="soon", load=0.9, due_at=yard.now + 3 * HOUR)
    yard.tick()
    yard.clock.at += 3 * HOUR
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    yard.clock.at += HOUR
    yard.is_so(pile, state="due", load=1.2, due_at=yard.now, hottest_c=70.5)
    yard.tick(times=2)
    (notice,) = yard.told()
    assert notice.kind == "cool_pile"
    assert notice.figures["also"] == ["turn_due"]
    yard.close()


def test_a_message_dropped_in_the_night_does_not_take_along_what_it_was_to_tell_as_well(
    tmp_path: Path,
) -> None:
    yard = a_night(tmp_path, "2026-11-25T23:00:00Z")
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now, hottest_c=70.5)
    yard.tick()
    assert [n.kind for n in yard.told()] == ["cool_pile"]
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now, hottest_c=64.0)
    yard.pass_time(90 * MINUTE)
    (notice,) = yard.told()
    assert (notice.kind, notice.state) == ("turn_due", "held")
    yard.close()


def test_what_is_urgent_passes_at_night_and_takes_the_rest_along(tmp_path: Path) -> None:
    yard = a_night(tmp_path, "2026-11-25T23:00:00Z")
    yard.person("Ada")
    yard.is_so(yard.pile(), state="due", load=1.0, due_at=yard.now, risk="danger", hottest_c=78.0)
    yard.tick()
    (notice,) = yard.told()
    assert (notice.kind, notice.state) == ("fire_watch", "waiting")
    assert notice.figures["also"] == ["cool_pile", "turn_due"]
    yard.close()


def test_an_answer_in_the_night_keeps_the_morning_quiet(tmp_path: Path) -> None:
    yard = a_night(tmp_path, "2026-11-25T23:00:00Z")
    yard.person("Ada")
    yard.person("Ben")
    a_due_pile(yard)
    yard.answer("turn_due", state="acknowledged", acknowledged_at=yard.now, acknowledged_by="Ada")
    yard.pass_time(HOUR)
    assert yard.told() == []
    assert {n.reason for n in yard.withheld()} == {"acknowledged"}
    yard.close()


def test_off_duty_it_waits_for_the_next_hours_of_duty(yard: Yard) -> None:
    yard.person("Ada", on_duty="Mon-Fri 07:00-18:00")
    yard.clock.at = parse_time("2026-11-28T12:00:00Z")  # a Saturday
    a_due_pile(yard)
    (notice,) = yard.told()
    assert (notice.state, notice.figures["held_for"]) == ("held", "off_duty")
    assert iso(Millis(notice.not_before or 0)) == "2026-11-30T07:00:00Z"


def test_what_is_urgent_finds_someone_off_duty_only_if_nobody_is_on(yard: Yard) -> None:
    yard.clock.at = parse_time("2026-11-28T12:00:00Z")
    yard.person("Ada", on_duty="Mon-Fri 07:00-18:00")
    ben = yard.person("Ben", on_duty="Sat-Sun 07:00-18:00")
    yard.is_so(yard.pile("K-01"), risk="danger", hottest_c=78.0)
    yard.tick()
    assert [n.person_id for n in yard.told() if n.state == "waiting"] == ["ben"]
    yard.registry.people.change(ben.id, on_duty="Mon-Fri 07:00-18:00")
    yard.is_so(yard.pile("K-02"), risk="danger", hottest_c=78.0)
    yard.tick()
    assert sorted(n.person_id for n in yard.told() if n.peg == "K-02" and n.state == "waiting") == [
        "ada",
        "ben",
    ]
