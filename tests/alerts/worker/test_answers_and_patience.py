from __future__ import annotations

from shared.people import Channel, Subscription
from shared.times import DAY, HOUR, MINUTE, Millis
from tests.alerts.watched import Yard, a_due_pile


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
