"""Turns what happened to the episodes of one place into rows: the episodes, and a notice for every word to a person.

Works inside the transaction that it is handed: what is stored is stored together or not at all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from alerts.conditions.table import CONDITIONS
from alerts.deadlines import soonest
from alerts.lifecycle import Change
from alerts.messages import Messages, Word
from alerts.policy import OVER, Circumstances, Hold, Telling, Withhold, decide
from alerts.policy_people import Directory
from alerts.policy_plan import plan, told_of
from alerts.policy_times import Quiet, hours_of, zone_for
from alerts.snapshot import Snapshot
from shared.episodes import Episode
from shared.ports import Registry
from shared.times import Millis


class Teller:
    """Tells of one place (a pile, a site, the service) within one transaction, at one instant."""

    def __init__(
        self, tx: Registry, directory: Directory, quiet: Quiet, messages: Messages, snapshot: Snapshot
    ) -> None:
        self._tx, self._directory, self._quiet, self._messages = tx, directory, quiet, messages
        self._snapshot, self._now = snapshot, snapshot.now

    def tell(
        self,
        changes: Sequence[Change],
        *,
        told_of_parent: frozenset[str] = frozenset(),
        anew: bool = False,
    ) -> Millis | None:
        """Store every change and what is said about it. ``anew``: weigh every episode, though nothing happened to it.

        Gives the next instant at which time alone may want another word here.
        """
        words: list[Word] = []
        wakes: list[int] = []
        loose = self._messages.settle_held(changes)
        weighed: list[tuple[Change, int | None]] = []
        for change in changes:
            at = change.episode.holds.get("policy_at")
            if anew or change.episode.id in loose or self._wants_weighing(change):
                said, at = self._weigh(change, told_of_parent)
                words += said
            weighed.append((change, at))
        held = self._messages.say(words)
        for change, at in weighed:
            self._keep(change, at, held)
            if at is not None and change.episode.state != "resolved":
                wakes.append(at)
        return Millis(min(wakes)) if wakes else None

    def _keep(self, change: Change, policy_at: int | None, held: set[str]) -> None:
        holds = {k: v for k, v in change.episode.holds.items() if k not in {"policy_at", "held", "seen"}}
        if change.episode.state != "resolved":
            holds["seen"] = answer_of(change.episode)
            if policy_at is not None:
                holds["policy_at"] = policy_at
            if change.episode.id in held:
                holds["held"] = True
        settled = replace(change.episode, holds=holds)
        if settled != change.before:
            self._tx.episodes.put(settled)

    def _wants_weighing(self, change: Change) -> bool:
        episode = change.episode
        due = episode.holds.get("policy_at")
        answered = episode.holds.get("seen", answer_of(episode)) != answer_of(episode)
        return change.event != "none" or answered or (due is not None and due <= self._now)

    def _weigh(self, change: Change, told_of_parent: frozenset[str]) -> tuple[list[Word], int | None]:
        episode = change.episode
        told = told_of([] if change.event == "opened" else self._tx.notices.of_episode(episode.id))
        audience = self._directory.audience(episode)
        if change.event == "opened" and not audience and episode.severity != "info":
            self._messages.note(episode, "first", "", "nobody_subscribed")
        planned = plan(change, told, audience, self._directory.by_id, self._now)
        about = self._circumstances(change, planned.tellings, told_of_parent)
        on_duty = [p.id for p in audience if hours_of(p).covers(self._now, zone_for(p))]
        words: list[Word] = []
        wakes: list[int | None] = [planned.look_again_at]
        for telling in planned.tellings:
            others = any(person_id != telling.person.id for person_id in on_duty)
            decision = decide(telling, replace(about, others_on_duty=others))
            if isinstance(decision, Withhold):
                wakes.append(decision.until)
                if decision.noted:
                    self._messages.note(episode, telling.step, telling.person.id, decision.why)
            elif not self._directory.ways_to(telling.person.id):
                self._messages.note(episode, telling.step, telling.person.id, "no_channel")
            else:
                words.append(Word(telling, decision if isinstance(decision, Hold) else None))
        if words:
            wakes.append(self._now + 1)  # what comes after these words shows once they are written down
        return words, soonest(*wakes)

    def _circumstances(
        self, change: Change, tellings: Sequence[Telling], told_of_parent: frozenset[str]
    ) -> Circumstances:
        condition = CONDITIONS[change.episode.kind]
        first = any(telling.reason == "first" for telling in tellings)
        may_nag = any(t.reason == "reminder" or t.episode.kind == "turn_overdue" for t in tellings)
        told_at, said_at = self._pile_told_at(change.episode) if may_nag else ({}, {})
        return Circumstances(
            self._now,
            condition,
            self._quiet,
            change.since,
            told_of_parent,
            self._told_before(change.episode, condition.retell_after_ms) if first else {},
            told_at,
            said_at,
            self._doer(change),
        )

    def _told_before(self, episode: Episode, within_ms: int) -> Mapping[str, Episode]:
        """Who was told of the same trouble that was over only lately."""
        told: dict[str, Episode] = {}
        if not within_ms:
            return told
        for other in self._tx.episodes.all(pile_id=episode.pile_id, kind=episode.kind, limit=20):
            same = (other.site, other.subject) == (episode.site, episode.subject)
            if same and other.resolved_at is not None and other.resolved_at > self._now - within_ms:
                for person_id in told_of(self._tx.notices.of_episode(other.id)).by_person:
                    told.setdefault(person_id, other)
        return told

    def _pile_told_at(self, episode: Episode) -> tuple[dict[str, Millis], dict[str, Millis]]:
        """Each person's last word about the pile: when it reaches the person, and when it was to be said."""
        told: dict[str, Millis] = {}
        said: dict[str, Millis] = {}
        if episode.pile_id is None:
            return told, said
        for notice in self._tx.notices.all(pile_id=episode.pile_id, limit=30):
            if notice.state != "withheld":
                at = Millis(max(notice.at, notice.not_before or 0))
                told[notice.person_id] = max(at, told.get(notice.person_id, at))
                said[notice.person_id] = max(notice.at, said.get(notice.person_id, notice.at))
        return told, said

    def _doer(self, change: Change) -> str:
        if change.event not in OVER or change.episode.resolved_reason != "turned":
            return ""
        turns = [turn for turn in self._snapshot.turns if turn.counts]
        return max(turns, key=lambda turn: turn.at).by if turns else ""


def answer_of(episode: Episode) -> str:
    """What people have answered so far; differs when somebody has answered since."""
    return f"{episode.state} {episode.snoozed_until or ''}".strip()
