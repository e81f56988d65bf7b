"""Turns that count for a rule, and those that do not."""

from __future__ import annotations

import pytest

from shared.times import DAY, HOUR
from tests.rules.flat_record import BUILT, FIVE, SHORT, FlatRecord, Piece, hot, read


def test_five_turns_count_and_four_do_not() -> None:
    """40 CFR 503 Appendix B, second-hand: 15 d with five turns is met, with four it is not."""
    assert read("us-503-pfrp-windrow", 15, 60, FIVE).status == "met"
    assert read("us-503-pfrp-windrow", 15, 60, FIVE[:4]).status == "open"


def test_a_turn_while_cold_does_not_count_where_the_rule_says_while_hot() -> None:
    pieces, turns = hot(15, 60, FIVE[:4])
    end = pieces[-1][1]
    pieces += [(end, end + DAY, 50.0)]
    reading = FlatRecord([pieces], [*turns, end + DAY // 2]).read("us-503-pfrp-windrow", end + DAY)
    assert reading.status == "open"
    assert reading.have["turns"] == 4
    assert "under 55 °C" in reading.have["turns_not_counted"][0]["why"]


def test_a_fifth_turn_after_the_fifteen_days_but_still_hot_completes_the_rule_then() -> None:
    pieces, turns = hot(17, 60, (3, 6, 9, 12, 16))
    reading = FlatRecord([pieces], turns).read("us-503-pfrp-windrow", pieces[-1][1])
    assert reading.status == "met"
    assert reading.met_at == BUILT + turns[-1]


def test_the_cool_hours_after_a_turn_break_a_strict_windrow() -> None:
    pieces, turns = hot(15, 60, FIVE)
    cooled: list[Piece] = []
    for start, end, celsius in pieces:
        cooled += [(start, start + HOUR, 50.0), (start + HOUR, end, celsius)]
    reading = FlatRecord([cooled], turns).read("us-503-pfrp-windrow", pieces[-1][1])
    assert reading.status == "open"
    assert reading.have["broke_at"] is not None
    assert any("it was measured below" in line for line in reading.missing)


def test_the_unknown_moment_of_a_turn_over_three_hours_breaks_it() -> None:
    pieces, turns = hot(15, 60, FIVE, moment_ms=3 * HOUR)
    assert FlatRecord([pieces], turns).read("us-503-pfrp-windrow", pieces[-1][1]).status == "met"
    pieces, turns = hot(15, 60, FIVE, moment_ms=3 * HOUR + 1)
    assert FlatRecord([pieces], turns).read("us-503-pfrp-windrow", pieces[-1][1]).status == "open"


def test_uk_turns_two_days_apart_count_and_one_day_apart_do_not() -> None:
    """Wales SI 2006/1293 Schedule 1 Part II: 60 °C, 8 d, three turns at no less than two-day intervals."""
    assert read("uk-catering-windrow", 8, 60, (2, 4, 6)).status == "met"
    reading = read("uk-catering-windrow", 8, 60, (2, 3, 4))
    assert reading.status == "open"
    assert reading.have["turns"] == 2
    assert "2 d asked" in reading.have["turns_not_counted"][0]["why"]


def test_turns_before_the_heat_do_not_count() -> None:
    cold: list[Piece] = [(0, 2 * DAY, 30.0)]
    pieces, _ = hot(15, 60, start_ms=2 * DAY)
    turns = [DAY, *(2 * DAY + day * DAY for day in (3, 6, 9, 12))]
    reading = FlatRecord([cold + pieces], turns).read("ca-ccme-windrow", pieces[-1][1])
    assert reading.have["turns"] == 4
    assert reading.status == "open"


@pytest.mark.parametrize("rule_id", ["three-turns", "au-4454"])
def test_three_days_hot_before_each_of_three_turns(rule_id: str) -> None:
    """three-turns: common practice, no source. au-4454: AS 4454-2012 cl. 3.2.1, figures from memory, unverified."""
    pieces, turns = hot(9.5, 55, (3, 6, 9))
    reading = FlatRecord([pieces], turns).read(rule_id, pieces[-1][1])
    assert reading.status == "met"
    assert reading.met_at == BUILT + turns[-1]
    pieces, turns = hot(9.5, 55, (3, 6, 9 - SHORT))
    reading = FlatRecord([pieces], turns).read(rule_id, pieces[-1][1])
    assert reading.status == "open"
    assert "before it" in reading.have["turns_not_counted"][0]["why"]


def test_three_turns_adds_the_hours_up_and_au_4454_wants_them_consecutive() -> None:
    pieces: list[Piece] = []
    turns: list[int] = []
    at = 0
    for _ in range(3):
        pieces += [(at, at + 2 * DAY, 60.0), (at + 2 * DAY, at + 2 * DAY + HOUR, 50.0)]
        pieces += [(at + 2 * DAY + HOUR, at + 3 * DAY + HOUR, 60.0)]
        at += 3 * DAY + 2 * HOUR
        turns.append(at - HOUR // 2)
    record = FlatRecord([pieces], turns)
    assert record.read("three-turns", at).status == "met"
    assert record.read("au-4454", at).status == "open"
