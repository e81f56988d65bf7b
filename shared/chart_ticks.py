"""Marks of the time axis in the site's own zone: at local midnights and hours, on either side of a clock change."""

from __future__ import annotations

from datetime import datetime, timedelta

from shared.times import DAY, HOUR, Millis, from_datetime, to_datetime, zone_of

_HOUR_STEPS = (1, 3, 6, 12)
_DAY_STEPS = (1, 2, 3, 5, 7, 14, 28, 56, 112)


def time_ticks(start: Millis, end: Millis, zone: str, most: int) -> list[tuple[Millis, str]]:
    """At most ``most`` instants within [start, end], each with its word; a day's first mark carries the date."""
    span = max(1, end - start)
    most = max(2, most)
    for hours in _HOUR_STEPS:
        if span / (hours * HOUR) <= most:
            return _hours(start, end, zone, hours)
    for days in _DAY_STEPS:
        if span / (days * DAY) <= most:
            return _days(start, end, zone, days)
    return _days(start, end, zone, round(span / DAY / most) + 1)


def _hours(start: Millis, end: Millis, zone: str, step: int) -> list[tuple[Millis, str]]:
    ticks: list[tuple[Millis, str]] = []
    for midnight in _midnights(start, end, zone):
        for hour in range(0, 24, step):
            wall = midnight.replace(hour=hour)
            at = from_datetime(wall)
            if start <= at <= end:
                word = f"{wall.day} {wall:%b}" if hour == 0 else f"{wall:%H:%M}"
                ticks.append((at, word))
    return ticks


def _days(start: Millis, end: Millis, zone: str, step: int) -> list[tuple[Millis, str]]:
    ticks = []
    for index, midnight in enumerate(_midnights(start, end, zone, skip_before=start)):
        at = from_datetime(midnight)
        if index % step == 0 and at <= end:
            ticks.append((at, f"{midnight.day} {midnight:%b}"))
    return ticks


def _midnights(start: Millis, end: Millis, zone: str, skip_before: int | None = None) -> list[datetime]:
    tz = zone_of(zone)
    day = to_datetime(start, zone).date()
    found: list[datetime] = []
    while True:
        midnight = datetime(day.year, day.month, day.day, tzinfo=tz)
        at = from_datetime(midnight)
        if at > end:
            return found
        if skip_before is None or at >= skip_before:
            found.append(midnight)
        day += timedelta(days=1)
