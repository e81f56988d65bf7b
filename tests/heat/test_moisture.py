"""What squeeze tests and waterings say of the moisture, and what smells add to the risk."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shared.heat.moisture import moisture_now
from shared.heat.report import RiskLevel
from shared.times import HOUR, Millis
from tests.heat.piles import BUILT, facts
from tests.heat.test_hand_readings import by_hand, hand_pile, note, report

NOW = Millis(BUILT + 100 * HOUR)


@pytest.mark.parametrize(("feel", "words"), [("dry", "too dry"), ("right", "about 50 %"), ("wet", "too wet")])
def test_the_last_squeeze_is_the_state(feel: str, words: str) -> None:
    found = moisture_now(hand_pile(note(10, "squeeze", feel="right"), note(90, "squeeze", feel=feel)), NOW)
    assert found.state == feel
    assert words in found.words


def test_water_after_a_dry_squeeze_asks_for_another() -> None:
    held = hand_pile(
        note(50, "squeeze", feel="dry"), note(60, "water", litres=40), note(61, "water", litres=10)
    )
    found = moisture_now(held, NOW)
    assert found.state == "unknown"
    assert found.watered_l == 50
    assert "squeeze again" in found.words


def test_water_does_not_make_a_wet_pile_less_wet() -> None:
    assert moisture_now(hand_pile(note(50, "squeeze", feel="wet"), note(60, "water")), NOW).state == "wet"


def test_an_old_squeeze_says_nothing_of_today() -> None:
    held = hand_pile(note(10, "squeeze", feel="right"))
    assert moisture_now(held, Millis(BUILT + 10 * HOUR + 7 * 24 * HOUR)).state == "right"
    assert moisture_now(held, Millis(BUILT + 11 * HOUR + 7 * 24 * HOUR)).state == "unknown"


def test_without_a_squeeze_what_the_mix_said_and_what_was_given_stands() -> None:
    held = replace(facts([], mix={"moisture_percent": 57.6}), notes=(note(60, "water", litres=30),))
    found = moisture_now(held, NOW)
    assert (found.state, found.built_percent, found.watered_l) == ("unknown", 57.6, 30)
    assert "58 %" in found.words


def test_nothing_is_known_of_a_pile_nobody_touched() -> None:
    found = moisture_now(facts([]), NOW)
    assert (found.state, found.at, found.watered_l, found.built_percent) == ("unknown", None, None, None)


@pytest.mark.parametrize(
    ("smell", "smoke", "level"),
    [
        ("none", False, "none"),
        ("earthy", False, "none"),
        ("ammonia", False, "watch"),
        ("sour", False, "watch"),
        ("rotten", False, "watch"),
        ("burnt", False, "high"),
        ("earthy", True, "danger"),
    ],
)
def test_smells_and_smoke_raise_the_risk_of_a_pile_read_by_hand(
    smell: str, smoke: bool, level: RiskLevel
) -> None:
    held = hand_pile(*by_hand([(80, 58), (99, 58)]), note(98, "smell", smell=smell, smoke=smoke))
    assert report(held, 100).risk.level == level


def test_a_smell_makes_a_dry_cool_pile_no_overheating_one() -> None:
    held = hand_pile(
        *by_hand([(80, 30), (99, 30)]), note(98, "smell", smell="rotten"), note(97, "squeeze", feel="dry")
    )
    assert report(held, 100).risk.level == "watch"
