"""What holds for every message, whatever it says."""

from __future__ import annotations

import dataclasses
import itertools
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.snapshot import STEP_REASONS
from alerts.wording import TELLERS, TITLE_BELOW, Message, clipped, compose
from alerts.wording_cautions import HOT_C
from alerts.wording_links import link_writer
from alerts.wording_voice import Voice, voice_for
from shared.episodes import NoticeKind
from shared.languages import languages
from shared.links import LINK_PATH, LinkAct, link_key, verify_link
from shared.piles import Pile
from shared.times import DAY, HOUR, Millis, parse_time
from shared.units import Units
from tests.alerts.memory import DictMemory
from tests.alerts.wording.scenes import NOW, PILE, StillScene, episode, link_for, person, report, scene

EVERYTHING = list(itertools.product(get_args(NoticeKind), STEP_REASONS, get_args(Units), languages()))
HANDS_IN_THE_HEAT: tuple[NoticeKind, ...] = ("turn_soon", "turn_due", "turn_overdue", "cool_pile")


def said(kind: NoticeKind, reason: str = "first", units: Units = "celsius", language: str = "en") -> Message:
    return compose(episode(kind), scene(kind), person(units, language), reason, link_for)


def test_every_kind_has_words() -> None:
    assert set(TELLERS) == set(get_args(NoticeKind))


@pytest.mark.parametrize(("kind", "reason", "units", "language"), EVERYTHING)
def test_titles_are_one_short_line_and_the_first_line_names_the_pile(
    kind: NoticeKind, reason: str, units: Units, language: str
) -> None:
    message = said(kind, reason, units, language)
    assert 0 < len(message.title) < TITLE_BELOW
    assert "\n" not in message.title
    if kind not in {"service_trouble", "morning_round"}:
        assert message.text.startswith(PILE.peg)
        assert message.title.startswith(PILE.peg)


@pytest.mark.parametrize(("kind", "reason", "units", "language"), EVERYTHING)
def test_one_unit_of_heat_and_no_hole_in_any_sentence(
    kind: NoticeKind, reason: str, units: Units, language: str
) -> None:
    text = said(kind, reason, units, language).text
    assert ("°F" if units == "celsius" else "°C") not in text
    assert not any(hole in text for hole in ("{", "}", "None", "nan", "  "))


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("kind", HANDS_IN_THE_HEAT)
def test_whoever_is_sent_to_open_a_hot_pile_is_told_how_not_to_be_hurt(
    kind: NoticeKind, language: str
) -> None:
    text = said(kind, language=language).text
    words = {
        "en": ("upwind", "mask", "alone", "Local codes"),
        "de": ("Wind", "Maske", "allein", "Vorschriften"),
    }
    assert all(word in text for word in words[language])


def test_a_pile_under_55_needs_no_words_about_steam() -> None:
    cool = compose(episode("turn_due", hottest_c=HOT_C - 0.1), scene("turn_due"), person(), "first", link_for)
    assert "steam" not in cool.text


def test_a_fire_is_looked_at_from_outside_and_the_fire_service_comes_first() -> None:
    text = said("fire_watch").text
    assert "fire service first" in text
    assert "Nobody walks on the pile" in text
    assert "does not prove that it cools" in text


def test_what_is_over_asks_nothing_of_anyone() -> None:
    for kind, reason in itertools.product(get_args(NoticeKind), ("resolved", "corrected")):
        message = said(kind, reason)
        assert set(message.links) == {"open"}
        assert "Done?" not in message.text


def test_the_example_of_the_job_is_said_as_it_was_wished() -> None:
    text = said("turn_soon").text
    lines = text.splitlines()
    assert lines[0] == "K-07 wants a turn by 16:00 GMT."
    assert lines[1] == "Core 66.8 °C, over 65 for 22 h (limit 24 h)."
    assert lines[2] == "Turn 2 of 3."
    assert "Done? https://yard.example/do/log_turn" in lines


def test_fahrenheit_people_read_fahrenheit_thresholds() -> None:
    assert "Core 152.2 °F, over 149 for 22 h (limit 24 h)." in said("turn_soon", units="fahrenheit").text


def test_the_clock_is_the_persons_and_its_zone_is_printed() -> None:
    message = compose(
        episode("turn_soon"), scene("turn_soon"), person(zone="America/New_York"), "first", link_for
    )
    assert message.text.startswith("K-07 wants a turn by 11:00 EST.")


def test_a_zone_or_language_that_does_not_exist_costs_nobody_the_message() -> None:
    odd = dataclasses.replace(person(zone="Mars/Olympus"), language="tlh")
    message = compose(episode("turn_soon"), scene("turn_soon"), odd, "first", link_for)
    assert message.text.startswith("K-07 wants a turn by 16:00 UTC.")


@pytest.mark.parametrize(
    ("now", "at", "words"),
    [
        ("2026-03-29T00:30:00Z", "2026-03-29T01:30:00Z", "02:30 IST"),  # the night the clock goes forward
        ("2026-10-25T00:15:00Z", "2026-10-25T00:30:00Z", "01:30 IST"),  # the hour that comes twice: first
        ("2026-10-25T00:15:00Z", "2026-10-25T01:30:00Z", "01:30 GMT"),  # and second
    ],
)
def test_both_clock_change_nights_name_the_right_hour(now: str, at: str, words: str) -> None:
    assert Voice("en", "celsius", "Europe/Dublin", parse_time(now)).time(parse_time(at)) == words


def test_another_day_is_named_and_one_far_off_has_its_date() -> None:
    voice = voice_for(person(), NOW)
    assert voice.time(Millis(NOW + DAY)) == "Thu 14:05 GMT"
    assert voice.time(Millis(NOW + 9 * DAY)) == "4 Dec 14:05 GMT"
    assert dataclasses.replace(voice, language="de").time(Millis(NOW + DAY)) == "Do. 14:05 GMT"


def test_an_old_reading_is_called_old() -> None:
    old = StillScene(report=report(63.2, 9 * HOUR))
    message = compose(episode("turn_overdue", measured_at=NOW - 9 * HOUR), old, person(), "first", link_for)
    assert "The last reading is old: 05:05 GMT, 9 h before this message. Measure by hand." in message.text


def test_without_a_public_address_a_message_has_no_links_and_no_hole() -> None:
    message = compose(episode("turn_due"), scene("turn_due"), person(), "first", lambda _act: "")
    assert message.links == {}
    assert "?" not in message.text.replace("turned?", "")


@given(st.text(max_size=200))
def test_any_peg_gives_a_title_of_one_short_line(peg: str) -> None:
    named = dataclasses.replace(scene("turn_due"), pile=Pile("x", "larkfield", peg, PILE.built_at))
    title = compose(episode("turn_due"), named, person(), "first", link_for).title
    assert len(title) < TITLE_BELOW
    assert title == clipped(title)
    assert len(title.splitlines()) <= 1


@given(
    st.sampled_from(get_args(NoticeKind)),
    st.dictionaries(
        st.sampled_from(["hottest_c", "threshold_c", "hours", "limit_h", "due_at", "measured_at", "probe", "fault",
                         "turns_counted", "turns_required", "load", "days", "probes", "since_at", "part", "turn_at"]),
        st.one_of(st.none(), st.floats(), st.integers(), st.text(max_size=20), st.booleans()),
    ),
)  # fmt: skip
def test_no_figure_however_odd_costs_the_message(kind: NoticeKind, figures: dict[str, object]) -> None:
    odd = dataclasses.replace(episode(kind), figures=figures)
    message = compose(odd, scene(kind), person(), "first", link_for)
    assert message.title
    assert message.text


def test_links_do_one_thing_each_for_one_pile_and_one_person() -> None:
    memory = DictMemory()
    write = link_writer(memory, "https://yard.example/")
    told = episode("turn_due")
    link = write(told, person(), Millis(NOW + DAY))
    acts: tuple[LinkAct, ...] = get_args(LinkAct)
    for act in acts:
        address = link(act)
        assert address.startswith(f"https://yard.example{LINK_PATH}")
        purpose = verify_link(link_key(memory), address.partition(LINK_PATH)[2], NOW)
        assert (purpose.act, purpose.pile, purpose.episode, purpose.person) == (act, PILE.id, told.id, "p-1")


def test_the_round_opens_on_the_list_of_piles() -> None:
    link = link_writer(DictMemory(), "https://yard.example/")(episode("morning_round"), person(), NOW)
    assert link("open") == "https://yard.example/"


@pytest.mark.parametrize("kind", HANDS_IN_THE_HEAT)
def test_a_fire_watch_does_not_also_send_anyone_to_open_the_pile(kind: NoticeKind) -> None:
    told = compose(
        episode("fire_watch"), scene("fire_watch"), person(), "first", link_for, also=(episode(kind),)
    )
    assert "Also:" not in told.text
    assert kind in told.figures["also"]  # it counts as told
