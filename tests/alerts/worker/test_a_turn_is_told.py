from __future__ import annotations

from shared.times import HOUR, MINUTE
from tests.alerts.watched import Yard


def test_a_due_turn_is_told_once_to_whoever_asked(yard: Yard) -> None:
    yard.person("Ada")
    yard.person("Ben", subscribed=False)
    pile = yard.pile()
    yard.tick()
    assert yard.told() == []
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick(times=5)
    (notice,) = yard.told()
    assert (notice.kind, notice.reason, notice.person_id, notice.channel_id) == (
        "turn_due",
        "first",
        "ada",
        "ada-0",
    )
    assert notice.state == "waiting"
    assert notice.peg == "K-01"
    assert "K-01" in notice.title
    assert notice.figures["load"] == 1.0


def test_every_way_to_a_person_gets_the_message_under_its_own_key(yard: Yard) -> None:
    yard.person("Ada", ways=2)
    yard.is_so(yard.pile(), state="due", load=1.0, due_at=yard.now)
    yard.tick()
    assert [n.channel_id for n in sorted(yard.told(), key=lambda n: n.channel_id)] == ["ada-0", "ada-1"]
    assert len({n.id for n in yard.told()}) == 2


def test_a_restart_sends_nothing_new(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.probe(pile, "p-01")
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now, risk="high", hottest_c=71.0)
    yard.tick(times=3)
    before, episodes = yard.rows(), yard.registry.episodes.unresolved()
    for _ in range(3):
        yard.restart()
        yard.tick(times=3)
    assert yard.rows() == before
    assert yard.registry.episodes.unresolved() == episodes


def test_soon_due_and_overdue_are_one_chain_in_which_each_takes_over(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="soon", load=0.9, due_at=yard.now + 6 * HOUR)
    yard.tick()
    yard.clock.at += 6 * HOUR
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    yard.clock.at += 12 * HOUR
    yard.is_so(pile, state="overdue", load=1.3, due_at=yard.now - 12 * HOUR)
    yard.tick()
    said = [n for n in yard.says() if n[1] != "reminder"]
    assert said == [("turn_soon", "first"), ("turn_due", "first"), ("turn_overdue", "first")]
    assert [e.kind for e in yard.registry.episodes.unresolved()] == ["turn_overdue"]
    over = {e.kind: e.resolved_reason for e in yard.registry.episodes.all() if e.state == "resolved"}
    assert over == {"turn_soon": "turn_due_took_over", "turn_due": "turn_overdue_took_over"}


def test_a_logged_turn_ends_it_and_is_told_to_the_others_who_were_told(yard: Yard) -> None:
    yard.person("Ada")
    yard.person("Ben")
    yard.person("Cor", min_severity="urgent")
    pile = yard.pile()
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    yard.clock.at += HOUR
    yard.turn(pile, by="Ada")
    yard.tick()
    assert yard.registry.episodes.unresolved() == []
    assert yard.says("Ada") == [("turn_due", "first")]
    assert yard.says("Ben") == [("turn_due", "first"), ("turn_due", "resolved")]
    assert yard.says("Cor") == []
    (why,) = yard.withheld("Ada")
    assert why.reason == "own_doing"


def test_readings_that_come_late_correct_a_notice_and_say_so(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    yard.clock.at += HOUR
    yard.is_so(pile, state="not_yet", load=0.7, due_at=yard.now + 20 * HOUR)
    yard.tick()
    assert yard.says() == [("turn_due", "first"), ("turn_due", "corrected")]


def test_a_turn_entered_late_is_an_answer_and_no_correction(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    yard.clock.at += HOUR
    yard.turn(pile, by="Ben", at=yard.now - 5 * HOUR)
    yard.tick()
    assert yard.says() == [("turn_due", "first"), ("turn_due", "resolved")]


def test_what_is_unknown_neither_opens_nor_closes(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    yard.is_so(pile, state="not_yet", load=None, hottest_c=None)
    yard.pass_time(2 * HOUR)
    assert yard.episode("turn_due").state == "open"
    assert yard.says() == [("turn_due", "first")]


def test_a_pile_too_hot_and_due_is_one_message_that_tells_of_both(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="due", load=1.1, due_at=yard.now, hottest_c=71.5, risk="high")
    yard.tick(times=3)
    (notice,) = yard.told()
    assert notice.kind == "cool_pile"
    assert notice.figures["also"] == ["turn_due"]
    (why,) = yard.withheld()
    assert (why.kind, why.reason) == ("turn_due", "grouped")
    assert {e.kind for e in yard.registry.episodes.unresolved()} == {"cool_pile", "turn_due"}


def test_a_finished_pile_is_left_in_peace(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    yard.clock.at += MINUTE
    yard.registry.piles.change(pile.id, finished_at=yard.clock.now())
    yard.book.touch(pile.id)
    yard.tick()
    assert yard.registry.episodes.unresolved() == []
    assert yard.says() == [("turn_due", "first")]


def test_a_turn_that_answers_two_things_is_one_message_which_asks_for_nothing(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="due", load=1.1, due_at=yard.now, hottest_c=71.5, risk="high")
    yard.tick()
    yard.clock.at += HOUR
    yard.turn(pile, by="Ben")
    yard.tick()
    first, over = yard.told()
    assert (first.reason, over.reason) == ("first", "resolved")
    assert "wants a turn" in first.text
    assert "wants a turn" not in over.text
