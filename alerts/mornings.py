"""The morning round: a digest for each person who asked for it, once a local day, at the local time of the settings."""

from __future__ import annotations

from dataclasses import replace
from datetime import time
from typing import TYPE_CHECKING

from alerts.conditions.morning_round import CONDITION, judge
from alerts.lifecycle import Place, episode_id
from alerts.messages import Messages, Word
from alerts.policy import Circumstances, Hold, Telling, Withhold, decide
from alerts.policy_people import Directory
from alerts.policy_times import Quiet, hours_of, next_morning, zone_for
from alerts.snapshot import Snapshot
from shared.episodes import Episode
from shared.people import Person
from shared.ports import Registry
from shared.round import RoundRow, round_list
from shared.times import HOUR, Millis, to_datetime
from shared.weekly_hours import local_instant

if TYPE_CHECKING:
    from shared.heat_book import HeatBook

LATE_MS = 3 * HOUR  # a digest missed by a stop is made up for within so long
_DONE = "morning."


class Mornings:
    def __init__(self, registry: Registry, book: HeatBook, wall: time | None, quiet: Quiet) -> None:
        self._registry, self._book, self._wall, self._quiet = registry, book, wall, quiet

    def next_at(self, person: Person, now: Millis) -> Millis | None:
        """When this person's next digest is due; at once when today's was missed only lately. None: there is none."""
        if self._wall is None:
            return None
        zone = zone_for(person)
        today = to_datetime(now, zone).date()
        at = local_instant(today, self._wall, zone)
        done = self._registry.memory.get(f"{_DONE}{person.id}")
        if at <= now < at + LATE_MS and done != today.isoformat():
            return now
        return next_morning(now, self._wall, zone)

    def rows(self, person: Person, directory: Directory, now: Millis) -> tuple[RoundRow, ...]:
        """The open piles of all sites whose digest the person wants."""
        wishes = [
            s
            for s in directory.subscriptions
            if s.person_id == person.id
            and s.pile_id is None
            and s.min_severity == "info"
            and (s.kinds is None or CONDITION.kind in s.kinds)
        ]
        sites = {wish.site for wish in wishes}
        if not sites:
            return ()
        asked = [None] if None in sites else sorted(site for site in sites if site)
        rows = [
            row
            for site in asked
            for row in round_list(self._registry, self._book, now, site, units=person.units)
        ]
        return tuple(rows)

    def tell(
        self,
        tx: Registry,
        person: Person,
        directory: Directory,
        rows: tuple[RoundRow, ...],
        messages: Messages,
        now: Millis,
    ) -> None:
        """Note the day as done; say the digest when there is one to say."""
        tx.memory.set(f"{_DONE}{person.id}", to_datetime(now, zone_for(person)).date().isoformat())
        verdict = judge(Snapshot(now, round=rows))[0]
        if verdict.state != "bad" or not _works_today(person, now):
            return
        episode = morning_episode(person, now)
        episode = replace(episode, reason=verdict.reason, figures=verdict.figures)
        telling = Telling(episode, person, "first", "first")
        decision = decide(telling, Circumstances(now, CONDITION, self._quiet))
        tx.episodes.put(episode)
        if not directory.ways_to(person.id):
            messages.note(episode, "first", person.id, "no_channel")
        elif isinstance(decision, Withhold):
            messages.note(episode, "first", person.id, decision.why)
        else:
            messages.say([Word(telling, decision if isinstance(decision, Hold) else None)])


def morning_episode(person: Person, now: Millis) -> Episode:
    """Over as soon as it is told: there is nothing to answer."""
    return Episode(
        id=episode_id(CONDITION.kind, Place(None, None), person.id, now),
        kind=CONDITION.kind,
        site=None,
        pile_id=None,
        subject=person.id,
        severity="info",
        state="resolved",
        opened_at=now,
        reason="morning",
        resolved_at=now,
        resolved_reason="told",
    )


def _works_today(person: Person, now: Millis) -> bool:
    duty, zone = hours_of(person), zone_for(person)
    return duty.covers(now, zone) or duty.next_start(now, zone) - now <= LATE_MS
