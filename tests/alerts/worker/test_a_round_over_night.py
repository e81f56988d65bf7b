"""What is held over night becomes one message in the morning, whatever happens meanwhile."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from shared.times import Millis, iso, parse_time
from tests.alerts.made import HOUR, MINUTE
from tests.alerts.rounds_made import NIGHT, piles_due
from tests.alerts.watched import Yard


def test_what_the_night_brings_about_several_piles_is_one_message_in_the_morning(tmp_path: Path) -> None:
    yard = Yard(tmp_path, NIGHT)
    yard.clock.at = parse_time("2026-11-25T23:00:00Z")
    yard.person("Ada")
    yard.person("Gate", kind="webhook")
    yard.is_so(yard.pile("K-09"), state="not_yet", load=0.3, due_at=yard.now + 19 * HOUR)
    for peg in ("K-01", "K-02", "K-03"):
        yard.tick()
        piles_due(yard, peg)
        yard.pass_time(HOUR)
    assert {n.state for n in yard.told()} == {"held"}
    yard.clock.at = parse_time("2026-11-26T06:29:30Z")
    yard.tick()
    (letter,) = yard.told("Ada")
    assert iso(Millis(letter.not_before or 0)) == "2026-11-26T06:30:00Z"
    assert [peg for peg, _, _ in yard.heard_of("Ada")] == ["K-01", "K-02", "K-03", "K-09"]
    assert "On the same round at Larkfield Yard:" in letter.text
    assert letter.text.count("Done? https://yard.example/do/") == 4
    assert letter.text.count("Seen, and on it") == 1
    assert len(yard.told("Gate")) == 4
    yard.close()


def test_a_letter_that_is_put_together_keeps_all_its_piles_whatever_comes_in_its_last_minute(
    tmp_path: Path,
) -> None:
    yard = Yard(tmp_path, NIGHT)
    yard.clock.at = parse_time("2026-11-25T23:00:00Z")
    yard.person("Ada")
    piles_due(yard, "K-01", "K-02")
    yard.tick()
    yard.clock.at = parse_time("2026-11-26T06:29:10Z")
    yard.tick()
    (letter,) = yard.told()
    yard.clock.at += 10_000
    yard.book.touch(letter.pile_id or "")  # a reading of its first pile
    yard.tick()
    first = yard.registry.episodes.get(letter.episode_id)
    answer: dict[str, Any] = {
        "state": "acknowledged",
        "acknowledged_at": Millis(yard.now),
        "acknowledged_by": "Ada",
    }
    yard.registry.episodes.put(replace(first, **answer))
    yard.clock.at += 10_000
    yard.book.touch(letter.pile_id or "")
    yard.tick()
    (after,) = yard.told()
    assert (after.text, after.state) == (letter.text, "held")
    assert [peg for peg, _, _ in yard.heard_of()] == ["K-01", "K-02"]
    yard.close()


def test_a_watch_that_dies_before_the_morning_loses_nothing_and_the_next_puts_it_together(
    tmp_path: Path,
) -> None:
    yard = Yard(tmp_path, NIGHT)
    yard.clock.at = parse_time("2026-11-25T23:00:00Z")
    yard.person("Ada")
    piles_due(yard, "K-01", "K-02")
    yard.tick()
    piles_due(yard, "K-03")
    yard.tick()
    reports = dict(yard.book.said)
    yard.restart()
    yard.book.said = reports
    yard.clock.at = parse_time("2026-11-26T06:30:00Z")
    assert (
        len(yard.registry.notices.claim(Millis(yard.now), 0, 10)) == 3
    )  # each by itself, were there no watch
    for row in yard.told():
        yard.registry.notices.change(row.id, state="held", leased_until=None)
    yard.tick()
    assert len(yard.told()) == 1
    assert [peg for peg, _, _ in yard.heard_of()] == ["K-01", "K-02", "K-03"]
    yard.close()


def test_a_crash_within_the_tick_leaves_each_message_to_go_by_itself(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard.person("Ada")
    piles_due(yard, "K-01", "K-02")
    monkeypatch.setattr("alerts.rounds.Rounds.go", lambda *_: None)
    yard.tick()
    assert [n.state for n in yard.told()] == ["held", "held"]
    claimed = yard.registry.notices.claim(Millis(yard.now + MINUTE), 1000, 10)
    assert sorted(n.peg for n in claimed) == ["K-01", "K-02"]


def test_what_is_answered_before_the_round_goes_is_left_out(tmp_path: Path) -> None:
    yard = Yard(tmp_path, NIGHT)
    yard.clock.at = parse_time("2026-11-25T23:00:00Z")
    yard.person("Ada")
    piles_due(yard, "K-01")
    yard.is_so(yard.pile("K-02"), hottest_c=71.0, state="not_yet")
    yard.tick()
    yard.answer("cool_pile", state="acknowledged", acknowledged_at=yard.now, acknowledged_by="Ada")
    yard.clock.at = parse_time("2026-11-26T06:30:00Z")
    yard.tick()
    assert yard.heard_of() == [("K-01", "turn_due", "first")]
    yard.close()
