"""What a verdict does to an episode: open, worse, clearing, resolved, corrected. Pure; the worker stores the outcome."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from alerts.conditions.verdict import Condition, Verdict
from alerts.deadlines import soonest
from shared.episodes import SEVERITIES, Episode, NoticeKind
from shared.times import HOUR, Millis

Event = Literal["opened", "worse", "snooze_over", "resolved", "corrected", "none"]

TAKES_OVER: Mapping[NoticeKind, NoticeKind] = {"turn_due": "turn_soon", "turn_overdue": "turn_due"}
"""Which kind a new episode carries on: turn_due answers turn_soon, turn_overdue answers turn_due."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the subjects of a snapshot stand."""

    site: str | None
    pile_id: str | None


@dataclass(frozen=True, slots=True)
class Change:
    """``episode`` as it is now and what happened to it; ``quiet``: nobody needs a word that it is over."""

    episode: Episode
    event: Event
    quiet: bool = False
    look_again_at: Millis | None = None
    since: Millis | None = None
    before: Episode | None = None
    figures: dict[str, Any] | None = None  # as they are now, for words that are written now

    @property
    def spoken(self) -> Episode:
        """The episode with the figures of now."""
        return replace(self.episode, figures=self.figures) if self.figures else self.episode


def episode_id(kind: NoticeKind, place: Place, subject: str, opened_at: Millis) -> str:
    """Sorts by the opening and is the same whenever the same opening is worked out again."""
    what = "\x1f".join((kind, place.site or "", place.pile_id or "", subject))
    return f"{opened_at:011x}{hashlib.sha256(what.encode()).hexdigest()[:12]}"


def advance(
    condition: Condition,
    verdicts: Iterable[Verdict],
    unresolved: Iterable[Episode],
    place: Place,
    now: Millis,
) -> list[Change]:
    """Hold ``verdicts`` of one condition against its unresolved episodes of the same place.

    Gives a Change for every episode that is there or opens now, also where nothing happened (event ``none``).
    """
    known = {episode.subject: episode for episode in unresolved if episode.kind == condition.kind}
    changes: list[Change] = []
    for verdict in verdicts:
        episode = known.pop(verdict.subject, None)
        if episode is not None:
            changes.append(_step(condition, verdict, episode, now))
        elif verdict.state == "bad":
            changes.append(_open(condition, verdict, place, now))
    changes += [
        Change(_resolved(episode, now, "no_longer_here"), "resolved", quiet=True, before=episode)
        for episode in known.values()
    ]
    return changes


def close_all(unresolved: Iterable[Episode], now: Millis, reason: str) -> list[Change]:
    """The pile is finished (or gone): whatever was open about it is over, without a word."""
    return [
        Change(_resolved(episode, now, reason), "resolved", quiet=True, before=episode)
        for episode in unresolved
    ]


def carried_on(opened: Change, others: Iterable[Episode]) -> Change:
    """A link of the turn chain takes from the one before since when the chain has wanted an act, and a snooze that still
    runs; an answer given to ``turn_soon`` ("I know, I turn it then") stands for ``turn_due`` too."""
    episode = opened.episode
    before = TAKES_OVER.get(episode.kind)
    earlier = next((other for other in others if other.kind == before), None)
    if opened.event != "opened" or earlier is None:
        return opened
    holds = dict(episode.holds)
    answered = earlier.state == "acknowledged" and earlier.kind == "turn_soon" and _as_said(episode, earlier)
    asleep = earlier.state == "snoozed" and (earlier.snoozed_until or 0) > episode.opened_at
    if answered or asleep:
        episode = replace(
            episode,
            state=earlier.state,
            acknowledged_at=earlier.acknowledged_at,
            acknowledged_by=earlier.acknowledged_by,
            snoozed_until=earlier.snoozed_until,
        )
    if earlier.kind == "turn_due" and earlier.acknowledged_at is None:
        holds["unanswered_since"] = earlier.holds.get("unanswered_since", earlier.opened_at)
    if earlier.kind == "turn_due" and earlier.state == "acknowledged":
        holds["answered_at"] = earlier.acknowledged_at
    return replace(opened, episode=replace(episode, holds=holds))


SOONER_MS = 2 * HOUR


def _as_said(due: Episode, soon: Episode) -> bool:
    """Whoever answered "I turn it then" is told once more when it became due well before the time that was said."""
    said, came = soon.figures.get("due_at"), due.figures.get("due_at")
    return said is None or came is None or came >= said - SOONER_MS


def _open(condition: Condition, verdict: Verdict, place: Place, now: Millis) -> Change:
    episode = Episode(
        id=episode_id(condition.kind, place, verdict.subject, now),
        kind=condition.kind,
        site=place.site,
        pile_id=place.pile_id,
        subject=verdict.subject,
        severity=verdict.severity,
        state="open",
        opened_at=now,
        reason=verdict.reason,
        figures=verdict.figures,
        holds={} if verdict.anchor is None else {"anchor": verdict.anchor},
    )
    return Change(episode, "opened", look_again_at=verdict.look_again_at, since=verdict.since)


def _step(condition: Condition, verdict: Verdict, episode: Episode, now: Millis) -> Change:
    moved = verdict.anchor is not None and verdict.anchor != episode.holds.get("anchor", verdict.anchor)
    if verdict.state == "ok":
        return _clear(condition, verdict, episode, now, moved=moved)
    if verdict.state == "unknown" and moved:
        return _clear(condition, replace(verdict, hold_ms=0), episode, now, moved=True)
    if verdict.state == "unknown":
        return _wake(replace(episode, clear_since=None), episode, verdict, now)
    if moved:
        episode = replace(episode, holds=episode.holds | {"anchor": verdict.anchor})
    still = replace(episode, clear_since=None)
    if SEVERITIES.index(verdict.severity) > SEVERITIES.index(episode.severity):
        return _worse(still, episode, verdict, now)
    return _wake(still, episode, verdict, now)


def _clear(condition: Condition, verdict: Verdict, episode: Episode, now: Millis, *, moved: bool) -> Change:
    since = episode.clear_since if episode.clear_since is not None else now
    hold = condition.close_hold_ms if verdict.hold_ms is None else verdict.hold_ms
    if now - since < hold:
        look = Millis(since + hold)
        if verdict.look_again_at is not None and verdict.look_again_at < look:
            look = verdict.look_again_at
        return Change(replace(episode, clear_since=since), "none", look_again_at=look, before=episode)
    never_so = (verdict.undone and not moved) or (
        verdict.since is not None and not moved and verdict.since < episode.opened_at
    )
    reason = "turned" if moved and verdict.anchor is not None and not verdict.quiet else verdict.reason
    unasked = episode.severity == "info" and not never_so  # nobody was to act, so nobody is called off
    over = _resolved(replace(episode, figures=episode.figures | verdict.figures), now, reason)
    return Change(
        over,
        "corrected" if never_so else "resolved",
        quiet=verdict.quiet or unasked or not condition.tell_resolved,
        look_again_at=verdict.look_again_at,
        before=episode,
    )


def _worse(still: Episode, before: Episode, verdict: Verdict, now: Millis) -> Change:
    """An answer given to the lesser trouble is none to the greater; only a snooze of less than urgent stands."""
    snoozed = still.state == "snoozed" and verdict.severity != "urgent"
    worse = replace(
        still,
        severity=verdict.severity,
        reason=verdict.reason,
        figures=verdict.figures,
        worsened_at=now,
        state="snoozed" if snoozed else "open",
        acknowledged_at=None,
        acknowledged_by="",
        snoozed_until=still.snoozed_until if snoozed else None,
    )
    return Change(worse, "worse", look_again_at=verdict.look_again_at, since=verdict.since, before=before)


def _wake(still: Episode, before: Episode, verdict: Verdict, now: Millis) -> Change:
    if still.state == "snoozed" and (still.snoozed_until is None or still.snoozed_until <= now):
        woken = replace(still, state="open", snoozed_until=None, acknowledged_at=None, acknowledged_by="")
        if verdict.figures:
            woken = replace(woken, figures=verdict.figures)
        return Change(woken, "snooze_over", look_again_at=verdict.look_again_at, before=before)
    return Change(
        still,
        "none",
        look_again_at=soonest(verdict.look_again_at, still.snoozed_until),
        before=before,
        figures=verdict.figures if verdict.state == "bad" else None,
    )


def _resolved(episode: Episode, now: Millis, reason: str) -> Episode:
    return replace(episode, state="resolved", resolved_at=now, resolved_reason=reason, clear_since=None)
