"""When people may be told, when they are reminded, and when the next one is asked: every time of the policy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import time, timedelta

from shared.episodes import Severity
from shared.people import Person
from shared.times import DAY, HOUR, MINUTE, Millis, TimeError, to_datetime, zone_of
from shared.weekly_hours import WeeklyHours, WeeklyHoursError, local_instant, parse_weekly_hours

QUARTER = 15 * MINUTE

REMINDERS: Mapping[Severity, tuple[int, ...]] = {
    "info": (),
    "act": (12 * HOUR, 24 * HOUR, 48 * HOUR, 72 * HOUR),
    "urgent": (15 * MINUTE, 30 * MINUTE, 60 * MINUTE, 2 * HOUR),
}
"""Pauses between one word and the next until someone acknowledges; the last one repeats. Empty = no reminder."""

ESCALATE_AFTER: Mapping[Severity, int | None] = {"info": None, "act": 12 * HOUR, "urgent": 30 * MINUTE}
"""Nobody has answered for so long: the next person is told. None = never."""

QUIET_PILE_MS: Mapping[Severity, int] = {"info": 8 * HOUR, "act": 6 * HOUR, "urgent": 0}
"""A reminder waits while the person has heard of the same pile within so long."""

ROUND_MS = 3 * HOUR
"""What can wait comes to one person about one site in one message at a time, so long after the last one."""

ANSWER_HOLDS_MS = 12 * HOUR
"""Whoever has answered turn_due has so long to do it before turn_overdue is told."""

WAKING_MS = 6 * HOUR
"""So many hours by day between turn_due and turn_overdue, when a night lay between."""

TURNED_HOLDS_MS = 12 * HOUR
TURNED_IN_VAIN_C = 75.0
"""A pile that was turned so lately is not turned again, unless it is hotter than that: then turning was in vain."""


@dataclass(frozen=True, slots=True)
class Quiet:
    """From-to on the person's wall clock; ``start`` = ``end`` or None: no quiet hours."""

    start: time | None = None
    end: time | None = None

    def until(self, now: Millis, zone: str) -> Millis | None:
        """When the quiet hours that hold at ``now`` end; None = it is not quiet."""
        if self.start is None or self.end is None or self.start == self.end:
            return None
        wall = to_datetime(now, zone)
        clock = wall.time()
        overnight = self.start > self.end
        inside = (clock >= self.start or clock < self.end) if overnight else self.start <= clock < self.end
        if not inside:
            return None
        day = wall.date() + timedelta(days=int(overnight and clock >= self.start))
        end = local_instant(day, self.end, zone)
        # an end that the clock shows twice: inside the second hour it is the second showing
        return end if end > now else Millis(end + HOUR)


def reminder_gap_ms(severity: Severity, reminders_so_far: int) -> int | None:
    gaps = REMINDERS[severity]
    return gaps[min(reminders_so_far, len(gaps) - 1)] if gaps else None


def hours_of(person: Person) -> WeeklyHours:
    """Hours that cannot be read must not silence anyone: always."""
    try:
        return parse_weekly_hours(person.on_duty)
    except WeeklyHoursError:
        return WeeklyHours()


def zone_for(person: Person) -> str:
    """A zone that does not exist must not silence anyone: UTC."""
    try:
        zone_of(person.zone)
    except TimeError:
        return "UTC"
    return person.zone


def next_morning(now: Millis, wall: time, zone: str) -> Millis:
    """The next instant after ``now`` at which the day's digest is due: once a local day, also when the clock changes."""
    today = to_datetime(now, zone).date()
    for days in (0, 1, 2):
        at = local_instant(today + timedelta(days=days), wall, zone)
        if at > now:
            return at
    raise TimeError(f"no {wall} in the next two days in {zone}")


def is_free(person: Person, quiet: Quiet, at: Millis) -> bool:
    zone = zone_for(person)
    return hours_of(person).covers(at, zone) and quiet.until(at, zone) is None


def free_at(person: Person, quiet: Quiet, now: Millis) -> Millis:
    """The first instant from ``now`` on at which the person is on duty and it is not quiet; where the two never meet,
    the next hours of duty."""
    zone, duty = zone_for(person), hours_of(person)
    at = now
    for _ in range(8):
        if not duty.covers(at, zone):
            at = duty.next_start(at, zone)
        end = quiet.until(at, zone)
        if end is None:
            return at
        at = end
    return duty.next_start(now, zone)


def after_waking_hours(person: Person, quiet: Quiet, since: Millis, wanted_ms: int) -> Millis | None:
    """When the person has been free for ``wanted_ms`` since then, to the quarter of an hour; None when that time is
    not broken by a night or by hours off duty."""
    at, free, broken = int(since), 0, False
    while free < wanted_ms and at - since < 14 * DAY:
        if is_free(person, quiet, Millis(at)):
            free += QUARTER
            at += QUARTER
        else:
            broken = True
            at = max(at + MINUTE, free_at(person, quiet, Millis(at)))
    return Millis(at) if broken else None
