"""Nothing at night that can wait, and nothing to who is off duty while someone is on."""

from __future__ import annotations

from pathlib import Path

from shared.settings import Settings
from shared.times import HOUR, MINUTE, Millis, iso, parse_time
from tests.alerts.watched import Yard, a_due_pile

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
