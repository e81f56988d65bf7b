from __future__ import annotations

from datetime import time

import pytest

from alerts.policy_times import Quiet, next_morning, reminder_gap_ms
from shared.times import HOUR, MINUTE, Millis, iso, parse_time
from shared.weekly_hours import WeeklyHoursError, parse_weekly_hours

DUBLIN = "Europe/Dublin"  # 2026: forward on 29 March at 01:00, back on 25 October at 02:00 local


@pytest.mark.parametrize(
    ("at", "until"),
    [
        ("2026-11-25T21:59:00Z", None),
        ("2026-11-25T22:00:00Z", "2026-11-26T06:30:00Z"),
        ("2026-11-26T06:29:59Z", "2026-11-26T06:30:00Z"),
        ("2026-11-26T06:30:00Z", None),
        # the night that is an hour longer, and the one that is an hour shorter
        ("2026-10-24T21:00:00Z", "2026-10-25T06:30:00Z"),
        ("2026-03-28T22:00:00Z", "2026-03-29T05:30:00Z"),
    ],
)
def test_quiet_hours_end_by_the_clock_on_the_wall(at: str, until: str | None) -> None:
    end = Quiet(time(22), time(6, 30)).until(parse_time(at), DUBLIN)
    assert (iso(end) if end is not None else None) == until


@pytest.mark.parametrize(
    ("at", "until"),
    [
        ("2026-10-24T23:50:00Z", "2026-10-25T00:30:00Z"),  # 00:50 summer time: the first half past one
        ("2026-10-25T01:10:00Z", "2026-10-25T01:30:00Z"),  # 01:10 for the second time: the second
        ("2026-03-29T00:30:00Z", "2026-03-29T01:30:00Z"),  # half past one does not come: an hour on
    ],
)
def test_quiet_hours_that_end_within_the_change(at: str, until: str) -> None:
    end = Quiet(time(22), time(1, 30)).until(parse_time(at), DUBLIN)
    assert end is not None
    assert iso(end) == until


def test_quiet_hours_of_a_day_and_none_at_all() -> None:
    noon = parse_time("2026-11-25T12:30:00Z")
    assert Quiet(time(12), time(13)).until(noon, "UTC") == noon + 30 * MINUTE
    assert Quiet().until(noon, "UTC") is None
    assert Quiet(time(9), time(9)).until(noon, "UTC") is None


def test_the_end_of_quiet_hours_always_lies_ahead() -> None:
    for start in ("2026-10-24T20:00:00Z", "2026-03-28T20:00:00Z"):
        for minutes in range(0, 16 * 60, 7):
            now = Millis(parse_time(start) + minutes * MINUTE)
            for quiet in (
                Quiet(time(22), time(1, 30)),
                Quiet(time(0, 30), time(2, 15)),
                Quiet(time(22), time(7)),
            ):
                end = quiet.until(now, DUBLIN)
                assert end is None or now < end <= now + 11 * HOUR


def test_a_morning_comes_once_a_day_all_year() -> None:
    now = parse_time("2026-01-01T00:00:00Z")
    days = []
    while now < parse_time("2027-01-01T00:00:00Z"):
        now = next_morning(now, time(1, 30), DUBLIN)
        days.append(iso(now)[:10])
    assert len(days) == len(set(days)) == 366


def test_reminders_grow_rarer_and_info_has_none() -> None:
    assert [reminder_gap_ms("act", n) for n in range(5)] == [hours * HOUR for hours in (12, 24, 48, 72, 72)]
    assert reminder_gap_ms("urgent", 9) == 2 * HOUR
    assert reminder_gap_ms("info", 0) is None


@pytest.mark.parametrize(
    ("hours", "inside", "outside"),
    [
        ("Mon-Fri 07:00-18:00", "2026-11-25T07:00:00Z", "2026-11-25T18:00:00Z"),
        ("Mon-Fri 07:00-18:00, Sat 08:00-12:00", "2026-11-28T11:59:00Z", "2026-11-28T12:00:00Z"),
        ("Fri 22:00-06:00", "2026-11-28T05:59:00Z", "2026-11-27T21:59:00Z"),
        ("Mon, Wed 07:00-12:00", "2026-11-23T08:00:00Z", "2026-11-24T08:00:00Z"),
        ("Sat-Mon 00:00-24:00", "2026-11-29T23:00:00Z", "2026-11-24T00:00:00Z"),
        ("Sun", "2026-11-29T23:59:00Z", "2026-11-30T00:00:00Z"),
        ("07:00-18:00", "2026-11-29T07:00:00Z", "2026-11-29T06:59:00Z"),
    ],
)
def test_weekly_hours_hold_from_their_start_until_their_end(hours: str, inside: str, outside: str) -> None:
    parsed = parse_weekly_hours(hours)
    assert parsed.covers(parse_time(inside), "UTC")
    assert not parsed.covers(parse_time(outside), "UTC")
    assert parsed.covers(parsed.next_start(parse_time(outside), "UTC"), "UTC")


def test_no_hours_are_all_hours() -> None:
    now = parse_time("2026-11-25T12:00:00Z")
    assert parse_weekly_hours(" ").covers(now, "UTC")
    assert parse_weekly_hours("").next_start(now, "UTC") == now


@pytest.mark.parametrize(
    "hours", ["weekdays 9-5", "Mon-Fri 7-18", "Mon 25:00-26:00", "Mon 07:00", "Xyz 07:00-18:00"]
)
def test_hours_that_cannot_be_read_say_which_part(hours: str) -> None:
    with pytest.raises(WeeklyHoursError, match="write weekly hours such as"):
        parse_weekly_hours(hours)
