"""Who is told what, and who is not, and why: one visible list of steps. Pure.

Every message that could be sent is a Telling. It passes the ``STEPS`` in order; the first that has something to say
decides, and its name is stored with the notice. Whatever passes them all is told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from alerts.conditions.verdict import Condition
from alerts.policy_times import (
    ANSWER_HOLDS_MS,
    QUIET_PILE_MS,
    TURNED_HOLDS_MS,
    TURNED_IN_VAIN_C,
    WAKING_MS,
    Quiet,
    after_waking_hours,
    free_at,
    hours_of,
    zone_for,
)
from alerts.snapshot import StepReason
from shared.episodes import SEVERITIES, Episode, NoticeKind
from shared.people import Person
from shared.times import Millis

TURNING: frozenset[NoticeKind] = frozenset({"turn_soon", "turn_due", "turn_overdue", "cool_pile"})
OVER: tuple[StepReason, ...] = ("resolved", "corrected")


@dataclass(frozen=True, slots=True)
class Telling:
    """A word about ``episode`` to ``person``; ``step`` tells it from every other word about it: ``reminder.2``."""

    episode: Episode
    person: Person
    reason: StepReason
    step: str


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What the steps may ask, about one episode at one instant."""

    now: Millis
    condition: Condition
    quiet: Quiet
    since: Millis | None = None  # since when it is so, by the curve
    told_of_parent: frozenset[str] = frozenset()  # who hears of the site's whole silence, while it lasts
    told_before: Mapping[str, Episode] = field(
        default_factory=dict
    )  # person -> the like of it, over only lately
    pile_told_at: Mapping[str, Millis] = field(default_factory=dict)  # person -> last word about this pile
    pile_said_at: Mapping[str, Millis] = field(
        default_factory=dict
    )  # the same, when it was to be said if it had to wait
    doer: str = ""  # who did what ended it
    others_on_duty: bool = False  # someone else who is on duty is told of it


@dataclass(frozen=True, slots=True)
class Tell:
    pass


@dataclass(frozen=True, slots=True)
class Hold:
    """Told at ``until``, if it is still so then."""

    why: str
    until: Millis


@dataclass(frozen=True, slots=True)
class Withhold:
    """Not told; looked at again at ``until`` (None: only when something changes)."""

    why: str
    until: Millis | None = None
    noted: bool = True


Decision = Tell | Hold | Withhold
Step = Callable[[Telling, Circumstances], Decision | None]


def old_news(telling: Telling, about: Circumstances) -> Decision | None:
    """It became so long before anyone looked (an imported record, a new subscription): noted, not told."""
    limit = about.condition.tell_old_ms
    if telling.reason != "first" or limit is None or about.since is None or about.now - about.since <= limit:
        return None
    return Withhold("old_news")


def own_doing(telling: Telling, about: Circumstances) -> Decision | None:
    """Nobody is told that it is over who ended it."""
    if telling.reason not in OVER or about.doer not in {telling.person.id, telling.person.name}:
        return None
    return Withhold("own_doing")


def already_told(telling: Telling, about: Circumstances) -> Decision | None:
    """The same trouble was over only lately and is back: no new word until the pause has passed, unless it is worse."""
    earlier = about.told_before.get(telling.person.id)
    if telling.reason != "first" or earlier is None or earlier.resolved_at is None:
        return None
    if SEVERITIES.index(earlier.severity) < SEVERITIES.index(telling.episode.severity):
        return None
    until = Millis(earlier.resolved_at + about.condition.retell_after_ms)
    return Withhold("already_told", until) if until > about.now else None


def acknowledged(telling: Telling, about: Circumstances) -> Decision | None:
    """Someone has answered. An answer to turn_soon stands for turn_due; one to turn_due gives some hours to do it in."""
    if telling.reason in OVER or telling.reason == "worse":
        return None
    if telling.episode.state == "acknowledged":
        return Withhold("acknowledged")
    until = Millis(int(telling.episode.holds.get("answered_at", 0)) + ANSWER_HOLDS_MS)
    return Withhold("acknowledged", until) if until > about.now and telling.reason == "first" else None


def snoozed(telling: Telling, about: Circumstances) -> Decision | None:
    until = telling.episode.snoozed_until
    if telling.reason in OVER or telling.episode.state != "snoozed" or until is None or until <= about.now:
        return None
    return Withhold("snoozed", until)


def parent_trouble(telling: Telling, about: Circumstances) -> Decision | None:
    """One notice says that the whole site is silent; its probes add none of their own."""
    if telling.person.id not in about.told_of_parent or telling.episode.kind != "probe_silent":
        return None
    if telling.reason in OVER:
        return None
    return Withhold("parent_trouble")


def off_duty(telling: Telling, about: Circumstances) -> Decision | None:
    """Off duty: it waits for the next hours of duty. What is urgent waits only if someone on duty is told of it."""
    person = telling.person
    if hours_of(person).covers(about.now, zone_for(person)):
        return None
    until = free_at(person, about.quiet, about.now)
    if telling.episode.severity == "urgent" and telling.reason not in OVER:
        return Withhold("off_duty", until) if about.others_on_duty else None
    return Hold("off_duty", until)


def just_turned(telling: Telling, about: Circumstances) -> Decision | None:
    """Food that is still good heats a turned pile again within hours. Nobody turns it twice a day for that."""
    figures = telling.episode.figures
    turned, hottest = figures.get("last_turn_at"), figures.get("hottest_c")
    if telling.reason != "first" or telling.episode.kind not in TURNING or turned is None:
        return None
    if hottest is not None and hottest >= TURNED_IN_VAIN_C:
        return None
    until = Millis(int(turned) + TURNED_HOLDS_MS)
    return Withhold("just_turned", until) if until > about.now else None


def told_lately(telling: Telling, about: Circumstances) -> Decision | None:
    """A reminder waits while the person has only just heard of the same pile. After a night turn_overdue waits until
    there were some waking hours to turn in: what fell due in the evening is not overdue at breakfast."""
    person, until = telling.person, None
    if telling.step.startswith("reminder") and person.id in about.pile_told_at:
        until = Millis(about.pile_told_at[person.id] + QUIET_PILE_MS[telling.episode.severity])
    elif (telling.reason, telling.episode.kind) == (
        "first",
        "turn_overdue",
    ) and person.id in about.pile_said_at:
        until = after_waking_hours(person, about.quiet, about.pile_said_at[person.id], WAKING_MS)
    return Withhold("told_lately", until, noted=False) if until is not None and until > about.now else None


def quiet_hours(telling: Telling, about: Circumstances) -> Decision | None:
    """Nothing at night that can wait: urgent passes, and that it is over can wait too."""
    if telling.episode.severity == "urgent" and telling.reason not in OVER:
        return None
    if about.quiet.until(about.now, zone_for(telling.person)) is None:
        return None
    return Hold("quiet_hours", free_at(telling.person, about.quiet, about.now))


STEPS: tuple[tuple[str, Step], ...] = (
    ("old_news", old_news),
    ("own_doing", own_doing),
    ("already_told", already_told),
    ("acknowledged", acknowledged),
    ("snoozed", snoozed),
    ("parent_trouble", parent_trouble),
    ("off_duty", off_duty),
    ("just_turned", just_turned),
    ("told_lately", told_lately),
    ("quiet_hours", quiet_hours),
)
"""After them: ``grouped`` (one message per person and pile), ``no_channel``, ``nobody_subscribed``."""


def decide(telling: Telling, about: Circumstances) -> Decision:
    for _, step in STEPS:
        decision = step(telling, about)
        if decision is not None:
            return decision
    return Tell()
