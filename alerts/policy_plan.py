"""Which words an episode wants now: first, worse, reminders, the next person, that it is over. Pure.

What is planned here still passes the steps of ``alerts.policy``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from alerts.lifecycle import Change
from alerts.policy import OVER, Telling
from alerts.policy_people import Heard, Told
from alerts.policy_times import ESCALATE_AFTER, reminder_gap_ms
from shared.episodes import Episode
from shared.notices import Notice
from shared.people import Person
from shared.times import DAY, Millis

GROUPED = "grouped"
LATE_SUBSCRIBER_MS = DAY  # whoever subscribes later is told of lesser matters only when they are this young


@dataclass(frozen=True, slots=True)
class Plan:
    tellings: list[Telling]
    look_again_at: Millis | None  # when time alone wants another word


def told_of(notices: Iterable[Notice]) -> Told:
    """Reads who was told from the notices of one episode; part of another's message counts."""
    heard: dict[str, Heard] = {}
    for notice in notices:
        if notice.reason in OVER or not counts_as_told(notice):
            continue
        at = max(notice.at, notice.not_before or 0)
        step = str(notice.figures.get("step", notice.reason))
        before = heard.get(notice.person_id)
        steps = int(step.startswith("reminder"))
        if before is None:
            heard[notice.person_id] = Heard(at, at, steps, step == "escalated")
            continue
        fresh = at > before.last_at  # two channels of one word are one word
        heard[notice.person_id] = Heard(
            min(before.first_at, at),
            max(before.last_at, at),
            before.reminders + (steps if fresh else 0),
            before.escalated,
        )
    return Told(heard)


def counts_as_told(notice: Notice) -> bool:
    return notice.state != "withheld" or (notice.reason == GROUPED and bool(notice.figures.get("with")))


def plan(
    change: Change,
    told: Told,
    audience: Sequence[Person],
    people: Mapping[str, Person],
    now: Millis,
) -> Plan:
    episode = change.episode
    if change.event in {"resolved", "corrected"}:
        return Plan([] if change.quiet else _over(change, told, people), None)
    if episode.clear_since is not None:
        return Plan([], None)  # it may be over in a moment: no new word until that is clear
    tellings = [
        Telling(episode, person, "first", "first")
        for person in audience
        if person.id not in told and _wants_now(episode, now)
    ]
    if episode.state == "acknowledged" and change.event != "worse":
        return Plan(tellings, None)
    known = [(people[id_], heard) for id_, heard in told.by_person.items() if id_ in people]
    if change.event == "worse":
        tellings += [Telling(episode, person, "worse", f"worse.{episode.severity}") for person, _ in known]
        return Plan(tellings, now)  # when the next reminder is due shows once this is written down
    if change.event == "snooze_over":
        step = f"snooze_over.{change.before.snoozed_until if change.before else now}"
        tellings += [Telling(episode, person, "reminder", step) for person, _ in known]
        return Plan(tellings, now)
    reminders, remind_at = _reminders(episode, known, now)
    asked = [] if "unanswered_since" not in episode.holds else [p for p in audience if p.id not in told]
    since = int(episode.holds.get("unanswered_since", now))
    silent = known + [
        (person, Heard(since, since, 0)) for person in asked
    ]  # told of the link before this one
    escalations, escalate_at = _escalations(episode, silent, told, people, now)
    ends = [at for at in (remind_at, escalate_at) if at is not None]
    return Plan(tellings + reminders + escalations, min(ends, default=None))


def _over(change: Change, told: Told, people: Mapping[str, Person]) -> list[Telling]:
    reason = "corrected" if change.event == "corrected" else "resolved"
    return [
        Telling(
            change.episode, people[person_id], "corrected" if reason == "corrected" else "resolved", reason
        )
        for person_id in told.by_person
        if person_id in people
    ]


def _wants_now(episode: Episode, now: Millis) -> bool:
    return episode.severity != "info" or now - episode.opened_at <= LATE_SUBSCRIBER_MS


def _reminders(
    episode: Episode, known: Sequence[tuple[Person, Heard]], now: Millis
) -> tuple[list[Telling], Millis | None]:
    due: list[Telling] = []
    later: list[int] = []
    for person, heard in known:
        gap = reminder_gap_ms(episode.severity, heard.reminders)
        if gap is None:
            continue
        if heard.last_at + gap <= now:
            due.append(Telling(episode, person, "reminder", f"reminder.{heard.reminders + 1}"))
        else:
            later.append(heard.last_at + gap)
    return due, Millis(min(later)) if later else None


def _escalations(
    episode: Episode,
    known: Sequence[tuple[Person, Heard]],
    told: Told,
    people: Mapping[str, Person],
    now: Millis,
) -> tuple[list[Telling], Millis | None]:
    after = ESCALATE_AFTER[episode.severity]
    due: dict[str, Telling] = {}
    later: list[int] = []
    for person, heard in known:
        following = people.get(person.escalate_to or "")
        if after is None or following is None or following.id in told:
            continue
        since = heard.first_at
        if (
            not heard.escalated
        ):  # the chain of turn notices may have gone unanswered for longer than this episode
            since = min(since, int(episode.holds.get("unanswered_since", since)))
        if since + after <= now:
            due[following.id] = Telling(episode, following, "escalated", "escalated")
        else:
            later.append(since + after)
    return list(due.values()), Millis(min(later)) if later else None
