"""Weekly hours in words, such as ``Mon-Fri 07:00-18:00, Sat 08:00-12:00``, and when they next begin.

An entry without days holds every day; ``Fri 22:00-06:00`` runs into Saturday; "" = always.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from shared.times import Millis, from_datetime, to_datetime, zone_of

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_ENTRY = re.compile(
    r"(?:(?P<first>[a-z]{3,9})(?:\s*[-–]\s*(?P<last>[a-z]{3,9}))?)?"
    r"\s*(?:(?P<start>\d{1,2}:\d{2})\s*[-–]\s*(?P<end>\d{1,2}:\d{2}))?"
)


class WeeklyHoursError(ValueError):
    """A text that names no weekly hours; it says which part, and what it should look like."""


@dataclass(frozen=True, slots=True)
class Shift:
    """From ``start`` on ``day`` (0 = Monday) until ``end``, the day after when that is not later."""

    day: int
    start: time
    end: time


@dataclass(frozen=True, slots=True)
class WeeklyHours:
    """No shifts = always."""

    shifts: tuple[Shift, ...] = ()

    def covers(self, now: Millis, zone: str) -> bool:
        if not self.shifts:
            return True
        today = to_datetime(now, zone).date()
        return any(
            start <= now < end
            for day in (today - timedelta(days=1), today)
            for start, end in self._on(day, zone)
        )

    def next_start(self, now: Millis, zone: str) -> Millis:
        """When the hours begin next after ``now`` (``now`` itself where they always hold)."""
        if not self.shifts:
            return now
        today = to_datetime(now, zone).date()
        starts = [
            start
            for days in range(9)
            for start, _ in self._on(today + timedelta(days=days), zone)
            if start > now
        ]
        return min(starts)

    def _on(self, day: date, zone: str) -> list[tuple[Millis, Millis]]:
        return [
            (
                local_instant(day, shift.start, zone),
                local_instant(day + timedelta(days=int(shift.end <= shift.start)), shift.end, zone),
            )
            for shift in self.shifts
            if shift.day == day.weekday()
        ]


def local_instant(day: date, wall: time, zone: str) -> Millis:
    """The first instant at which a clock on that wall shows ``wall``; where a clock change skips it, as much later as
    the clock was put forward."""
    return from_datetime(datetime.combine(day, wall, tzinfo=zone_of(zone)))


def parse_weekly_hours(text: str) -> WeeklyHours:
    """Read the hours; raise WeeklyHoursError."""
    shifts: list[Shift] = []
    waiting: list[int] = []  # days whose times stand in a later entry: "Mon, Wed 07:00-12:00"
    for part in re.split(r"[,;]", text):
        entry = part.strip().lower()
        if not entry:
            continue
        found = _ENTRY.fullmatch(entry)
        if found is None:
            raise _unreadable(part)
        days = _days(found["first"], found["last"], part)
        if found["start"] is None:
            waiting += days
            continue
        start, end = _wall(found["start"], part), _wall(found["end"], part)
        shifts += [Shift(day, start, end) for day in sorted({*waiting, *days}) or range(7)]
        waiting = []
    shifts += [Shift(day, time(0), time(0)) for day in waiting]  # whole days
    return WeeklyHours(tuple(shifts))


def _days(first: str | None, last: str | None, part: str) -> list[int]:
    if first is None:
        return []
    start = _day(first, part)
    end = start if last is None else _day(last, part)
    return [(start + step) % 7 for step in range((end - start) % 7 + 1)]


def _day(word: str, part: str) -> int:
    try:
        return DAYS.index(word[:3])
    except ValueError:
        raise _unreadable(part) from None


def _wall(text: str, part: str) -> time:
    hour, minute = (int(number) for number in text.split(":"))
    if hour == 24 and minute == 0:
        return time(0)
    try:
        return time(hour, minute)
    except ValueError:
        raise _unreadable(part) from None


def _unreadable(part: str) -> WeeklyHoursError:
    return WeeklyHoursError(
        f"cannot read {part.strip()!r}; write weekly hours such as Mon-Fri 07:00-18:00, Sat 08:00-12:00"
    )
