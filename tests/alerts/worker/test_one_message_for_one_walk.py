"""What a person is to be told of one site at one time is one message; a program gets every notice by itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from alerts.wording import LISTED
from shared.notices import ROUND_IDS, told_along
from shared.piles import Site
from shared.times import Millis, iso, parse_time
from tests.alerts.made import HOUR, MINUTE
from tests.alerts.rounds_made import NIGHT, piles_due
from tests.alerts.watched import Yard


def test_what_falls_due_at_one_time_is_one_letter_and_as_many_posts(yard: Yard) -> None:
    yard.person("Ada")
    yard.person("Gate", kind="webhook")
    piles_due(yard, "K-01", "K-02", "K-03")
    yard.tick()
    assert sorted(n.peg for n in yard.told("Gate")) == ["K-01", "K-02", "K-03"]
    (letter,) = yard.told("Ada")
    assert letter.state == "waiting"
    assert letter.title == "K-01 wants a turn now, and 2 more"
    assert "- K-02 wants a turn now." in letter.text
    assert yard.heard_of("Ada") == [(peg, "turn_due", "first") for peg in ("K-01", "K-02", "K-03")]


def test_a_round_goes_by_site(yard: Yard) -> None:
    yard.person("Ada")
    piles_due(yard, "K-01")
    yard.registry.sites.add(Site("upper", "Upper Yard", "Europe/Dublin"))
    yard.is_so(yard.pile("U-01", site="upper"), state="due", load=1.0, due_at=yard.now)
    yard.tick()
    assert sorted(n.peg for n in yard.told()) == ["K-01", "U-01"]


def test_a_fire_goes_alone(yard: Yard) -> None:
    yard.person("Ada")
    piles_due(yard, "K-01")
    yard.is_so(yard.pile("K-02"), hottest_c=84.0, risk="danger")
    yard.tick()
    assert sorted((n.peg, n.kind) for n in yard.told()) == [("K-01", "turn_due"), ("K-02", "fire_watch")]


def test_whoever_is_called_hears_of_the_turns_before_the_next_round(yard: Yard) -> None:
    yard.person("Ada")
    later = yard.pile("K-02")
    yard.is_so(later, state="not_yet", load=0.5, due_at=yard.now + 11 * HOUR)
    yard.is_so(yard.pile("K-03"), state="not_yet", load=0.5, due_at=yard.now + 13 * HOUR)
    yard.tick()
    assert yard.told() == []
    piles_due(yard, "K-01")
    yard.tick()
    assert yard.heard_of() == [("K-01", "turn_due", "first"), ("K-02", "turn_soon", "first")]
    yard.pass_time(8 * HOUR)
    yard.is_so(later, state="soon", load=0.9, due_at=yard.now + 3 * HOUR)
    yard.tick()
    assert len(yard.heard_of()) == 2  # told already


def test_an_answer_to_a_round_answers_for_all_of_it_and_no_turn_due_follows(yard: Yard) -> None:
    ada = yard.person("Ada")
    later = yard.pile("K-02")
    yard.is_so(later, state="not_yet", load=0.5, due_at=yard.now + 11 * HOUR)
    yard.tick()
    piles_due(yard, "K-01")
    yard.tick()
    (letter,) = yard.told()
    due, soon = yard.episode("turn_due"), yard.episode("turn_soon")
    assert letter.figures[ROUND_IDS] == [soon.id]
    rows = yard.registry.notices.of_episode(due.id)
    assert told_along(rows, ada.id, whole_round=True) == [soon.id]
    assert told_along(rows, ada.id, whole_round=False) == []
    for kind in ("turn_due", "turn_soon"):
        yard.answer(kind, state="acknowledged", acknowledged_at=yard.now, acknowledged_by="Ada")
    due_at = soon.figures["due_at"]
    yard.is_so(later, state="soon", load=0.9, due_at=due_at)
    yard.pass_time(11 * HOUR)
    yard.is_so(later, state="due", load=1.0, due_at=due_at)
    yard.tick()
    assert len(yard.told()) == 1


def test_an_answer_does_not_hold_when_it_is_due_long_before_the_time_that_was_said(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.is_so(pile, state="soon", load=0.8, due_at=yard.now + 6 * HOUR)
    yard.tick()
    yard.answer("turn_soon", state="acknowledged", acknowledged_at=yard.now, acknowledged_by="Ada")
    yard.pass_time(HOUR)
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    assert yard.says() == [("turn_soon", "first"), ("turn_due", "first")]


def test_a_turn_ends_a_word_that_was_said_ahead(yard: Yard) -> None:
    yard.person("Ada")
    later = yard.pile("K-02")
    yard.is_so(later, state="not_yet", load=0.5, due_at=yard.now + 11 * HOUR)
    yard.tick()
    piles_due(yard, "K-01")
    yard.tick()
    said = yard.episode("turn_soon")
    yard.is_so(later, state="not_yet", load=0.0, due_at=yard.now + 14 * HOUR, turned=(yard.now,))
    yard.tick()
    over = yard.registry.episodes.get(said.id)
    assert (over.state, over.resolved_reason) == ("resolved", "turned")


def test_what_can_wait_waits_for_the_next_round_and_goes_along_with_it(yard: Yard) -> None:
    yard.person("Ada")
    piles_due(yard, "K-01")
    yard.tick()
    yard.pass_time(HOUR)
    yard.is_so(yard.pile("K-02"), state="soon", load=0.8, due_at=yard.now + 6 * HOUR)
    yard.tick()
    (waits,) = [n for n in yard.told() if n.peg == "K-02"]
    assert (waits.state, waits.not_before) == ("held", yard.now + 2 * HOUR)
    yard.pass_time(HOUR)
    piles_due(yard, "K-03")
    yard.tick()
    assert yard.heard_of()[1:] == [("K-02", "turn_soon", "first"), ("K-03", "turn_due", "first")]
    assert [n.peg for n in yard.told() if n.state == "waiting"] == ["K-01", "K-03"]


def test_a_turn_to_be_planned_waits_for_no_other_when_it_is_near(yard: Yard) -> None:
    yard.person("Ada")
    piles_due(yard, "K-01")
    yard.tick()
    yard.is_so(yard.pile("K-02"), state="soon", load=0.9, due_at=yard.now + 90 * MINUTE)
    yard.tick()
    assert [n.state for n in yard.told()] == ["waiting", "waiting"]


@pytest.mark.parametrize(("celsius", "state"), [(58.0, "held"), (66.0, "waiting")])
def test_the_silence_of_a_probe_waits_unless_its_pile_is_hot(yard: Yard, celsius: float, state: str) -> None:
    yard.person("Ada")
    piles_due(yard, "K-01")
    pile = yard.pile("K-02")
    yard.probe(pile, "p-02")
    yard.probe(yard.pile("K-03"), "p-03")
    yard.is_so(pile, hottest_c=celsius)
    yard.tick()
    yard.clock.at += 35 * MINUTE
    yard.heard("p-03")  # so the site is not dark
    yard.tick()
    assert [n.state for n in yard.told() if n.kind == "probe_silent"] == [state]


@pytest.mark.parametrize(("kind", "goes"), [("turn_soon", "20:40"), ("probe_silent", "06:30")])
def test_nothing_waits_for_another_into_the_night(tmp_path: Path, kind: str, goes: str) -> None:
    """A turn to plan for the night is told before it; what has time comes in the morning."""
    yard = Yard(tmp_path, NIGHT)
    yard.clock.at = parse_time("2026-11-25T20:00:00Z")
    yard.person("Ada")
    piles_due(yard, "K-01")
    pile = yard.pile("K-02")
    yard.probe(pile, "p-02")
    yard.probe(yard.pile("K-03"), "p-03")
    yard.tick()
    yard.clock.at += 40 * MINUTE
    yard.heard("p-03")  # so the site is not dark
    if kind == "turn_soon":
        yard.heard("p-02")
        yard.is_so(pile, state="soon", load=0.8, due_at=yard.now + 5 * HOUR)
    yard.tick()
    (row,) = [n for n in yard.told() if n.peg == "K-02"]
    assert row.kind == kind
    assert iso(Millis(max(row.at, row.not_before or 0)))[11:16] == goes
    yard.close()


def test_that_a_probe_is_well_again_calls_nobody_and_is_told_along_with_the_next(yard: Yard) -> None:
    yard.person("Ada")
    for peg in ("K-01", "K-02"):
        yard.probe(yard.pile(peg), f"p-{peg}")
    yard.tick()
    yard.clock.at += 35 * MINUTE
    yard.heard("p-K-02")
    yard.tick()
    for _ in range(6):
        yard.clock.at += 10 * MINUTE
        yard.heard("p-K-01", "p-K-02")
        yard.tick()
    (over,) = [n for n in yard.told() if n.reason == "resolved"]
    assert (over.state, over.not_before) == ("held", over.at + 12 * HOUR)
    piles_due(yard, "K-03")
    yard.tick()
    assert [n for n in yard.told() if n.state == "held"] == []
    assert yard.heard_of()[0] == ("K-01", "probe_silent", "first")
    assert ("K-01", "probe_silent", "resolved") in yard.heard_of()


def test_a_long_round_names_every_pile(yard: Yard) -> None:
    yard.person("Ada")
    pegs = [f"K-{number:02}" for number in range(1, LISTED + 6)]
    piles_due(yard, *pegs)
    yard.tick()
    (letter,) = yard.told()
    assert all(peg in letter.text for peg in pegs)
    assert letter.text.count("\n- ") == LISTED
    assert len(letter.title) < 60
