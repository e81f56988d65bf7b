"""The ladder of running too hot, step by step."""

from __future__ import annotations

from typing import Any

import pytest

from shared.heat.cautions import cautions
from shared.heat.report import Risk
from shared.heat.risk import risk_reading
from shared.piles import FieldNote, NoteKind
from shared.times import DAY, HOUR, MINUTE, Millis
from tests.rules.flat_record import BUILT, FlatRecord, Piece


def risk(pieces: list[Piece], now: int | None = None, **more: Any) -> Risk:
    at = pieces[-1][1] if now is None else now
    return risk_reading(FlatRecord([pieces], **more), Millis(BUILT + at))  # type: ignore[arg-type]  # answers enough


def note(kind: NoteKind, at: int, **figures: Any) -> FieldNote:
    return FieldNote(str(at), "p", kind, Millis(BUILT + at), figures=figures)


@pytest.mark.parametrize(
    ("celsius", "lasting", "level"),
    [
        (64.9, 10 * DAY, "none"),
        (65.0, 2 * HOUR - 1, "none"),
        (65.0, 2 * HOUR, "watch"),
        (70.9, 3 * HOUR, "watch"),
        (71.0, HOUR - 1, "none"),
        (71.0, HOUR, "high"),
        (76.6, 3 * HOUR, "high"),
        (76.7, 30 * MINUTE, "danger"),
        (82.0, 1, "danger"),
        (65.0, 120 * HOUR - 1, "watch"),
        (65.0, 120 * HOUR, "high"),
    ],
)
def test_each_step_begins_at_its_threshold_and_duration(celsius: float, lasting: int, level: str) -> None:
    """Thresholds: the heat sheet's section on overheating (65 Cornell, 71 North Carolina DEQ, 76.7 7 CFR 205.203, 82
    from memory, unverified); the durations are our own."""
    found = risk([(0, DAY, 50.0), (DAY, DAY + lasting, celsius)])
    assert found.level == level
    assert bool(found.reasons) is (level != "none")


def test_since_is_the_instant_the_step_was_reached() -> None:
    assert risk([(0, DAY, 50.0), (DAY, 2 * DAY, 66.0)]).since == BUILT + DAY + 2 * HOUR


def test_short_dips_do_not_hide_a_hot_core() -> None:
    pieces: list[Piece] = [
        (minute * MINUTE, (minute + 10) * MINUTE, 71.1 if minute % 20 == 0 else 70.9)
        for minute in range(0, 150, 10)
    ]
    assert risk(pieces).level == "high"


def test_a_step_is_given_up_only_after_six_hours_two_kelvin_under_it() -> None:
    hot: list[Piece] = [(0, DAY, 66.0)]
    assert risk([*hot, (DAY, DAY + 10 * HOUR, 63.5)]).level == "watch"
    assert risk([*hot, (DAY, DAY + 6 * HOUR - 1, 62.9)]).level == "watch"
    assert risk([*hot, (DAY, DAY + 6 * HOUR, 62.9)]).level == "none"


def test_a_fall_after_danger_is_not_cooled_until_confirmed() -> None:
    fell: list[Piece] = [(0, DAY, 78.0), (DAY, 2 * DAY, 60.0)]
    found = risk(fell)
    assert found.level == "danger"
    assert "not taken as cooled" in found.reasons[0]
    checked = risk(fell, notes=[note("hand_reading", 2 * DAY - HOUR, celsius=58.0, depth_cm=45)])
    assert checked.level == "none"
    assert risk([*fell, (2 * DAY, 3 * DAY, 60.0)]).level == "none", "48 h under 65 °C confirm it"
    opened = risk(fell, turns=[DAY + HOUR])
    assert opened.level == "none", "a turn and 12 h under 65 °C confirm it"


def test_a_hand_reading_that_is_hot_itself_confirms_nothing() -> None:
    fell: list[Piece] = [(0, DAY, 78.0), (DAY, 2 * DAY, 60.0)]
    found = risk(fell, notes=[note("hand_reading", 2 * DAY - HOUR, celsius=79.0)])
    assert found.level == "danger"
    assert any("hand reading 79.0 °C" in reason for reason in found.reasons)


def test_silence_after_danger_is_still_danger() -> None:
    found = risk([(0, DAY, 78.0)], now=5 * DAY)
    assert found.level == "danger"
    assert "not known now" in found.reasons[0]


def test_smoke_is_danger_at_any_temperature_and_a_later_look_takes_it_back() -> None:
    cool: list[Piece] = [(0, DAY, 40.0)]
    smoke = note("smell", DAY - 2 * HOUR, smell="burnt", smoke=True)
    assert risk(cool, notes=[smoke]).level == "danger"
    assert risk(cool, notes=[smoke, note("smell", DAY - HOUR, smell="earthy", smoke=False)]).level == "none"


def test_a_burnt_smell_raises_to_high_and_over_71_to_danger() -> None:
    smell = [note("smell", DAY - HOUR, smell="burnt", smoke=False)]
    assert risk([(0, DAY, 40.0)], notes=smell).level == "high"
    assert risk([(0, DAY, 71.0)], notes=smell).level == "danger"


def test_a_dry_squeeze_raises_a_watch_until_it_is_watered() -> None:
    hot: list[Piece] = [(0, DAY, 66.0)]
    dry = note("squeeze", DAY - 3 * HOUR, feel="dry")
    assert risk(hot, notes=[dry]).level == "high"
    assert risk(hot, notes=[dry, note("water", DAY - HOUR, litres=80)]).level == "watch"
    assert risk([(0, DAY, 50.0)], notes=[dry]).level == "none"


def test_three_weeks_unturned_raise_a_watch() -> None:
    hot: list[Piece] = [(0, 21 * DAY, 50.0), (21 * DAY, 21 * DAY + 3 * HOUR, 66.0)]
    assert risk(hot).level == "high"
    assert risk(hot, turns=[20 * DAY]).level == "watch"


def test_a_large_pile_with_one_probe_says_what_it_cannot_see() -> None:
    found = risk([(0, DAY, 66.0)], volume_l=60_000.0)
    assert found.level == "watch"
    assert any("hot spots may go unseen" in reason for reason in found.reasons)


def test_an_unknown_core_is_not_called_safe() -> None:
    assert "not a sign of safety" in risk([(0, DAY, 40.0)], now=3 * DAY).reasons[0]


def test_a_finished_pile_runs_no_risk() -> None:
    assert risk([(0, DAY, 80.0)], finished=DAY).level == "none"


def test_no_reason_speaks_of_chances() -> None:
    for celsius in (66.0, 72.0, 78.0, 83.0):
        words = " ".join(risk([(0, DAY, celsius)]).reasons).lower()
        assert "probab" not in words
        assert "%" not in words


def test_cautions_grow_with_the_level_and_always_defer_to_local_rules() -> None:
    assert cautions("none", False) == []
    counts = [len(cautions(level, True)) for level in ("none", "watch", "high", "danger")]
    assert counts == sorted(counts)
    assert "fire service" in " ".join(cautions("danger", False))
    assert cautions("none", True)[-1].startswith("Local codes")
