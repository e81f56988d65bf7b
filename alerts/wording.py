"""What a message says: pile, act and deadline first; then why, how far along, how old the figures are, and a link.

``compose`` is pure: the same episode, snapshot and person give the same words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from alerts.wording_heat import cool_pile, cooled, fire_watch, not_heating, rule_met
from alerts.wording_links import LinkFor, done_lines, invitations, links_of
from alerts.wording_over import corrected, settled
from alerts.wording_probes import battery_low, probe_fault, probe_silent
from alerts.wording_service import morning_round, service_trouble
from alerts.wording_tale import Draft, Scene, Tale, Teller, kept
from alerts.wording_turns import turn_due, turn_found, turn_overdue, turn_soon
from alerts.wording_voice import voice_for
from shared.episodes import Episode, NoticeKind
from shared.people import Person
from shared.times import Millis

TITLE_BELOW = 60
LISTED = 20  # piles of one round that are told of in full; the rest by their pegs
TELLERS: Mapping[NoticeKind, Teller] = {
    "turn_soon": turn_soon,
    "turn_due": turn_due,
    "turn_overdue": turn_overdue,
    "cool_pile": cool_pile,
    "fire_watch": fire_watch,
    "not_heating": not_heating,
    "cooled": cooled,
    "rule_met": rule_met,
    "probe_silent": probe_silent,
    "probe_fault": probe_fault,
    "battery_low": battery_low,
    "turn_found": turn_found,
    "service_trouble": service_trouble,
    "morning_round": morning_round,
}


@dataclass(frozen=True, slots=True)
class Message:
    title: str
    text: str
    figures: dict[str, Any] = field(default_factory=dict)
    links: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Beside:
    """Another pile of the same round, told in the same message."""

    episode: Episode
    scene: Scene
    step_reason: str
    link_for: LinkFor
    also: Sequence[Episode] = ()


OPENS_THE_PILE = frozenset({"turn_soon", "turn_due", "turn_overdue", "cool_pile"})
"""Kinds that ask for a turn: not said beside a fire watch, whose first word is not to open the pile."""


def compose(
    episode: Episode,
    snapshot: Scene,
    person: Person,
    step_reason: str,
    link_for: LinkFor,
    also: Sequence[Episode] = (),
    beside: Sequence[Beside] = (),
    *,
    link_for_all: LinkFor | None = None,
) -> Message:
    """The words of ``episode`` for ``person``. ``also`` = other episodes of the same pile told in this message,
    ``beside`` = other piles of the same round, ``link_for_all`` = links that answer for all of them.

    ``step_reason``: first, worse, reminder, escalated, resolved, corrected. Figures read from ``episode.figures``,
    each of which may be missing (its sentence is then left out):

    - every kind of a pile: ``hottest_c``, ``measured_at`` (of the newest reading behind it)
    - turn_*: ``due_at``; ``threshold_c`` and ``hours`` (so long over it since the last turn) with ``limit_h`` (the
      guide's hold there), else ``hours_above_55_since_turn`` and ``load``; ``turns_counted``, ``turns_required``
    - cool_pile, fire_watch: ``threshold_c``, ``hours`` over it, ``fault`` (words) where a sensor may be the cause
    - not_heating: ``days`` since it was built, ``target_c``, ``peak_c``
    - cooled: ``threshold_c`` under which it stayed, ``hours``, ``turns_counted``
    - rule_met: ``rule`` (title), ``edition``, ``met_at``
    - probe_silent: ``probe``, ``last_heard_at``; of a whole site ``probes`` (names, or how many)
    - probe_fault: ``probe``, ``depth``, ``fault`` (words)
    - battery_low: ``probe``, ``battery_percent`` or ``battery_volt``, ``limit_percent`` or ``limit_volt``
    - turn_found: ``turn_at``, ``fall_k``
    - service_trouble: ``part`` ("ingest", "watch", "send", "store", "channel", "broker"), ``since_at``, ``why``
    - morning_round: nothing; its rows stand in ``snapshot.round``
    """
    voice = voice_for(person, snapshot.now)
    tale = Tale(episode, snapshot, voice)
    draft = _draft(tale, step_reason)
    others = _others(tale, also)
    links = links_of(draft, link_for)
    if beside and "seen" in links:
        whole = link_for_all or link_for
        links |= {"seen": whole("acknowledge"), "open": whole("open") or links.get("open", "")}
    walk = [_told_beside(one, person, snapshot.now) for one in beside]
    lines = [
        draft.head,
        _step(tale, step_reason),
        *draft.why,
        _age(tale) if draft.aged else "",
        *(voice.say("Also: {head}", head=other.head) for other in others),
        *done_lines(tale, draft, links),
        *_walk(tale, walk),
        *invitations(tale, links, many=bool(walk)),
        *dict.fromkeys(
            line for each in (draft, *others, *(one.draft for one in walk)) for line in each.cautions
        ),
        _place(tale),
    ]
    figures = dict(episode.figures)
    if also:
        figures["also"] = [other.kind for other in also]
    title = _with_more(tale, _title(tale, draft, step_reason), len({one.peg for one in walk} - {tale.peg}))
    return Message(clipped(title), "\n".join(kept(*lines)), figures, links)


@dataclass(frozen=True, slots=True)
class _ToldBeside:
    peg: str
    draft: Draft
    line: str


def _told_beside(one: Beside, person: Person, now: Millis) -> _ToldBeside:
    """Another pile of the round in one line."""
    tale = Tale(one.episode, one.scene, voice_for(person, now))
    draft = _draft(tale, one.step_reason)
    words = kept(
        draft.head,
        *draft.why,
        _young_age(tale) if draft.aged else "",
        *(tale.voice.say("Also: {head}", head=other.head) for other in _others(tale, one.also)),
        *done_lines(tale, draft, links_of(draft, one.link_for)),
    )
    return _ToldBeside(tale.peg, draft, " ".join(words))


def _others(tale: Tale, also: Sequence[Episode]) -> list[Draft]:
    fire = tale.episode.kind == "fire_watch"
    return [
        (settled if other.state == "resolved" else TELLERS[other.kind])(Tale(other, tale.scene, tale.voice))
        for other in also
        if not (fire and other.kind in OPENS_THE_PILE and other.state != "resolved")
    ]


def _walk(tale: Tale, told: Sequence[_ToldBeside]) -> tuple[str, ...]:
    if not told:
        return ()
    say, site = tale.voice.say, tale.scene.site
    rest = ", ".join(one.peg for one in told[LISTED:])
    return kept(
        say("On the same round at {site}:", site=site.name) if site else say("On the same round:"),
        *(f"- {one.line}" for one in told[:LISTED]),
        tale.voice.say_many("And {n} more: {pegs}.", "And {n} more: {pegs}.", len(told) - LISTED, pegs=rest)
        if rest
        else "",
    )


def _with_more(tale: Tale, title: str, more: int) -> str:
    longer = tale.voice.say_many("{title}, and {n} more", "{title}, and {n} more", more, title=title)
    return longer if more and len(longer) < TITLE_BELOW else title


def clipped(title: str) -> str:
    """One line of fewer than 60 characters."""
    line = " ".join(title.split())
    return line if len(line) < TITLE_BELOW else f"{line[: TITLE_BELOW - 2].rstrip()}…"


def _draft(tale: Tale, step_reason: str) -> Draft:
    if step_reason == "resolved":
        return settled(tale)
    if step_reason == "corrected":
        return corrected(tale)
    return TELLERS[tale.episode.kind](tale)


def _title(tale: Tale, draft: Draft, step_reason: str) -> str:
    """With a word on why it comes again, where there is room for it."""
    say, title = tale.voice.say, draft.title
    longer = {
        "worse": say("{title} (worse)", title=title),
        "reminder": say("{title} (reminder)", title=title),
        "escalated": say("{title} (nobody answers)", title=title),
    }.get(step_reason, title)
    return longer if len(longer) < TITLE_BELOW else title


def _step(tale: Tale, step_reason: str) -> str:
    say, since = tale.voice.say, tale.voice.time(tale.episode.opened_at)
    steps = {
        "worse": say("It has got worse; open since {when}.", when=since),
        "reminder": say("Reminder: open since {when}, and nobody has answered.", when=since),
        "escalated": say("You are told because it is open since {when} and nobody has answered.", when=since),
    }
    return steps.get(step_reason, "")


def _age(tale: Tale) -> str:
    at = tale.hottest.at
    if tale.scene.pile is None or at is None:
        return ""
    parts = {"when": tale.voice.time(at), "age": tale.voice.span(tale.scene.now - at)}
    if tale.hottest.fresh:
        return tale.voice.say("Read at {when}, {age} before this message.", **parts)
    return tale.voice.say(
        "The last reading is old: {when}, {age} before this message. Measure by hand.", **parts
    )


def _young_age(tale: Tale) -> str:
    """In a list, where the figures are fresh, their age alone."""
    at = tale.hottest.at
    if tale.scene.pile is None or at is None or not tale.hottest.fresh:
        return _age(tale)
    return tale.voice.say("Read {age} before.", age=tale.voice.span(tale.scene.now - at))


def _place(tale: Tale) -> str:
    site = tale.scene.site
    return f"{site.name}, {tale.peg}" if site is not None and tale.scene.pile is not None else ""
