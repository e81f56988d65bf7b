from __future__ import annotations

import threading
from pathlib import Path

import pytest

from shared.heat.report import HeatReport
from shared.settings import Settings
from shared.times import DAY, HOUR, MINUTE, Millis, iso, parse_time
from tests.alerts.watched import Yard


def test_a_pile_that_is_yet_to_be_built_is_left_until_then(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile(built_at=yard.now + DAY)
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick(times=3)
    assert yard.rows() == []
    yard.pass_time(DAY + HOUR, step=HOUR)
    assert yard.says() == [("turn_due", "first")]


def test_a_second_turn_that_nobody_logged_asks_for_itself(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    first = yard.now - HOUR
    yard.is_so(pile, proposed=(first,))
    yard.tick()
    yard.pass_time(3 * DAY, step=6 * HOUR)
    yard.is_so(pile, proposed=(first + 10 * MINUTE, yard.now - HOUR))  # late readings move the first a little
    yard.tick(times=2)
    assert yard.says() == [("turn_found", "first"), ("turn_found", "first")]
    yard.is_so(pile)
    yard.tick()
    assert yard.registry.episodes.unresolved() == []
    assert len(yard.told()) == 2


def test_every_row_says_what_it_is_also_when_nothing_was_told(yard: Yard) -> None:
    yard.is_so(yard.pile(), state="due", load=1.0, due_at=yard.now)
    yard.tick()
    (row,) = yard.rows()
    assert (row.state, row.title) == ("withheld", "Not told: nobody subscribed")


def test_duty_that_begins_in_the_night_waits_for_its_end(tmp_path: Path) -> None:
    yard = Yard(tmp_path, Settings.model_validate({"quiet_hours": {"from": "22:00", "to": "06:30"}}))
    yard.person("Ada", on_duty="Mon-Fri 05:00-14:00")
    yard.person("Ben", on_duty="Mon-Fri 08:00-18:00")
    yard.clock.at = parse_time("2026-11-25T23:00:00Z")
    yard.is_so(yard.pile(), state="due", load=1.0, due_at=yard.now)
    yard.tick()
    held = {n.person_id: iso(Millis(n.not_before or 0)) for n in yard.told()}
    assert held == {"ada": "2026-11-26T06:30:00Z", "ben": "2026-11-26T08:00:00Z"}
    yard.close()


def test_hours_of_duty_that_are_all_night_are_hours_of_duty(tmp_path: Path) -> None:
    yard = Yard(tmp_path, Settings.model_validate({"quiet_hours": {"from": "20:00", "to": "08:00"}}))
    yard.person("Ada", on_duty="22:00-06:00")
    yard.is_so(yard.pile(), state="due", load=1.0, due_at=yard.now)
    yard.tick()
    (notice,) = yard.told()
    assert iso(Millis(notice.not_before or 0)) == "2026-11-25T22:00:00Z"
    yard.close()


def test_a_pile_that_cannot_be_worked_out_waits_and_keeps_no_other_from_being_told(yard: Yard) -> None:
    def broken(now: Millis) -> HeatReport:
        raise ZeroDivisionError(now)

    yard.person("Ada")
    piles = [yard.pile(peg) for peg in ("K-01", "K-02", "K-03")]
    for pile in piles:
        yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.book.said[piles[1].id] = broken
    with pytest.raises(ZeroDivisionError):
        yard.tick()
    no_more = threading.Event()
    no_more.set()
    yard.watch.run(no_more, lambda: None)  # the loop is started again: it sets aside what it fell over
    yard.tick()
    assert [peg for peg, _, _ in yard.heard_of()] == ["K-01", "K-03"]
