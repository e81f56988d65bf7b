"""A short stretch of the month that ``python -m tests.alerts.month`` plays in full: what holds of every message."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.times import HOUR, Millis, to_datetime
from tests.alerts.month import ZONE, Month, table


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Month]:
    played = Month(Path(tmp_path_factory.mktemp("month")), piles=6, days=8, every_ms=HOUR)
    yield played.run()
    played.close()


def test_there_is_something_to_tell_and_the_turns_get_done(month: Month) -> None:
    assert sum(month.turns.values()) >= 6, table(month)
    assert {"turn_soon", "cool_pile"} <= {notice.kind for notice in month.told()}


def test_a_pile_has_at_most_one_message_at_a_time(month: Month) -> None:
    at_once = Counter((n.person_id, n.pile_id, n.at) for n in month.told())
    assert max(at_once.values()) == 1


def test_nothing_that_can_wait_comes_at_night(month: Month) -> None:
    for notice in month.told():
        when = to_datetime(Millis(max(notice.at, notice.not_before or 0)), ZONE)
        assert notice.severity == "urgent" or 6 <= when.hour < 22, f"{notice.kind} {notice.reason} at {when}"


def test_a_turn_costs_three_messages_at_the_most(month: Month) -> None:
    """One to plan it, one to do it, and one when it is late. A reminder comes on top only where nobody turned."""
    chain = {"turn_soon", "turn_due", "turn_overdue", "cool_pile"}
    for pile_id, turns in month.turns.items():
        told = [n for n in month.told() if n.pile_id == pile_id and n.kind in chain and n.reason == "first"]
        assert len(told) <= 3 * (turns + 1), f"{pile_id}: {[(n.kind, n.reason) for n in told]}"


def test_the_maker_is_not_told_of_what_he_did_himself(month: Month) -> None:
    assert not [n for n in month.told() if n.kind.startswith("turn_") and n.reason == "resolved"]


def test_every_message_that_was_not_sent_has_its_reason(month: Month) -> None:
    reasons = {n.reason for n in month.notices if n.state == "withheld"}
    assert reasons <= {
        "already_told", "own_doing", "grouped", "over_before_told", "parent_trouble", "acknowledged", "overtaken",
        "old_news", "just_turned",
    }  # fmt: skip
