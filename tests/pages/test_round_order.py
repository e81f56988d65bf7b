"""The round's order and words, from constructed reports."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from shared.episodes import Episode
from shared.heat.report import HeatReport, ReportTurn, SensorHeat
from shared.piles import Pile
from shared.round import RoundRow, round_row
from shared.round_verdict import NEEDS
from shared.spoken import respoken, span_words
from shared.times import DAY, HOUR, MINUTE, Millis
from tests.pages.histories import BUILT, history, report

NOW = Millis(BUILT + 3 * DAY)


def sensor(celsius: float | None = 60.0, ago: int = 10 * MINUTE, **fields: Any) -> SensorHeat:
    given: dict[str, Any] = {
        "probe": "lance-07", "depth_cm": 45.0, "position": "", "zone": "core", "readings": 10, "suspect": 0,
        "first_at": BUILT, "last_at": NOW - ago, "last_c": celsius, "peak_c": celsius, "peak_at": BUILT,
        "hours_above": {}, "longest_spell_hours": {}, "gap_hours": 0.0,
    }  # fmt: skip
    return SensorHeat(**(given | fields))


def made(
    *sensors: SensorHeat,
    turn: str = "none",
    due_in: int | None = None,
    risk: str = "none",
    phase: str = "hot",
) -> HeatReport:
    base = report(history({"45": [60.0] * 10}), NOW)
    due = None if due_in is None else Millis(NOW + due_in)
    return base.model_copy(
        update={
            "sensors": list(sensors or [sensor()]),
            "phase": phase,
            "turn": base.turn.model_copy(update={"state": turn, "due_at": due}),
            "risk": base.risk.model_copy(
                update={
                    "level": risk,
                    "reasons": ["core 72.0 °C, over 71 °C for 3 h"] if risk != "none" else [],
                }
            ),
        }
    )


def row(known: HeatReport, *told: str, units: str = "celsius") -> RoundRow:
    episodes = tuple(
        Episode(kind, kind, "larkfield", "pile", "lance-07", "act", "open", NOW, "silent_for_5_h")  # type: ignore[arg-type]  # kinds of the test's own choice
        for kind in told
    )
    return round_row(Pile("pile", "larkfield", "K-07", BUILT), "Europe/Dublin", known, episodes, units)  # type: ignore[arg-type]  # one of the two


def test_danger_comes_before_a_turn_and_a_turn_before_a_silent_probe() -> None:
    assert row(made(risk="danger", turn="overdue", due_in=-HOUR)).need == "danger"
    assert row(made(turn="overdue", due_in=-HOUR), "probe_silent").need == "now"
    assert row(made(), "probe_silent").need == "check"


def test_a_turn_that_is_due_says_since_when_and_why() -> None:
    found = row(made(sensor(63.4), turn="due", due_in=-HOUR))
    assert (found.need, found.act, found.by) == ("now", "Turn it now", NOW - HOUR)
    assert "63.4 °C" in found.why


def test_an_old_figure_cannot_be_trusted_and_says_how_old_it_is() -> None:
    found = row(made(sensor(61.0, ago=5 * HOUR)))
    assert (found.need, found.figure.fresh, found.figure.celsius) == ("check", False, 61.0)
    assert found.why == "Nothing heard for 5 h. It read 61.0 °C then."


def test_unknown_is_never_zero() -> None:
    found = row(made(sensor(None, last_at=None)))
    assert found.figure.celsius is None
    assert found.need == "check"


def test_a_sensor_in_the_air_is_not_the_hottest() -> None:
    assert row(made(sensor(50.0), sensor(99.0, zone="ambient"))).figure.celsius == 50.0


def test_a_faulty_sensor_is_named_with_its_depth() -> None:
    assert "lance-07 at 45 cm: stuck" in row(made(sensor(fault="stuck"))).why


def test_a_pile_that_stays_cool_for_a_week_is_worth_a_look() -> None:
    young, old = made(sensor(30.0), phase="heating"), made(sensor(30.0), phase="heating")
    old = old.model_copy(update={"built_at": Millis(NOW - 8 * DAY)})
    assert row(young).need == "none"
    assert row(old).need == "watch"


def test_a_quiet_pile_says_when_its_next_turn_comes() -> None:
    found = row(made(turn="not_yet", due_in=8 * HOUR))
    assert (found.need, found.why) == ("none", "Hot, and nothing is due. Next turn in about 8 h.")


def test_the_reason_speaks_the_readers_units() -> None:
    assert row(made(risk="high"), units="fahrenheit").why == "Core 161.6 °F, over 159.8 °F for 3 h."


@given(
    st.sampled_from(["none", "watch", "high", "danger"]), st.sampled_from(["none", "soon", "due", "overdue"])
)
def test_every_report_has_a_place_in_the_order(risk: str, turn: str) -> None:
    found = row(made(risk=risk, turn=turn, due_in=-HOUR))
    assert found.need in NEEDS
    assert found.act
    assert found.why


def test_durations_are_as_fine_as_they_matter() -> None:
    assert [span_words(ms) for ms in (40_000, 25 * MINUTE, 5 * HOUR, 47 * HOUR, 76 * HOUR, 20 * DAY)] == [
        "40 s", "25 min", "5 h", "47 h", "3 d 4 h", "20 d",
    ]  # fmt: skip


def test_temperatures_in_a_sentence_change_unit_and_nothing_else_does() -> None:
    """131 °F = 55.0 °C and 170 °F = 76.7 °C: by the definition of the scale."""
    said = "15 d within 55-76.7 °C, 72 h at 60 °C, 5 turns"
    assert respoken(said, "fahrenheit") == "15 d within 131-170.1 °F, 72 h at 140 °F, 5 turns"
    assert respoken(said, "celsius") == said


def test_a_turn_found_in_the_curve_is_asked_about_before_another_one_is_wanted() -> None:
    known = made(turn="overdue", due_in=-20 * HOUR)
    found = ReportTurn(at=Millis(NOW - 30 * HOUR), source="detected", state="proposed")
    asked = row(known.model_copy(update={"turns": [found]}))
    assert (asked.need, asked.act) == ("now", "Was it turned? If not, turn it now")
    assert asked.why.startswith("The curve looks like a turn 30 h ago that nobody wrote down. ")
    assert row(known).act == "Turn it now"


def test_hours_of_a_danger_are_told_in_whole_ones() -> None:
    known = made(risk="danger")
    long_hot = known.risk.model_copy(
        update={"reasons": ["core 77.0 °C, at 71 °C or more for 143.15 h: look"]}
    )
    assert "143 h" in row(known.model_copy(update={"risk": long_hot})).why
