"""One message for one walk: what a person is to be told of a site's piles at one time goes out as one.

A message to someone's mail or phone stands in the outbox as held for a moment; at the end of the tick those of the same
person, way and site are made one. What can wait does so for the next of them. A webhook or a topic is read by programs:
there every notice goes by itself, at once. If the watch dies meanwhile, each goes out alone in its time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from typing import NamedTuple

from alerts.conditions.table import CONDITIONS, pressing
from alerts.gathering import Gatherer
from alerts.patience import goes_at
from alerts.policy import OVER
from alerts.policy_people import Directory
from alerts.policy_plan import GROUPED
from alerts.policy_times import Quiet
from alerts.snapshot import STEP_REASONS, Snapshot, StepReason
from alerts.wording import Beside, compose
from alerts.wording_links import LinkWriter
from shared.episodes import Episode
from shared.links import LIFETIME_MS
from shared.notices import ALSO_IDS, ROUND_IDS, Notice
from shared.people import Channel, ChannelKind, Person
from shared.ports import NotFound, Registry
from shared.times import MINUTE, Millis

Beginning = Callable[[], AbstractContextManager[Registry]]
READ_BY_PEOPLE: frozenset[ChannelKind] = frozenset({"email", "url"})
GRACE_MS = (
    1 * MINUTE
)  # what is to go at once is out of the sender's reach for so long, or until the end of the tick
EARLY_MS = 1 * MINUTE  # what is to go at a later time is put together so long before
GATHER_AT = "gather_at"
REMEMBERED = 200  # messages of each person looked at after a start


class Key(NamedTuple):
    person_id: str
    channel_id: str
    site: str


@dataclass(frozen=True, slots=True)
class _Part:
    row: Notice
    episode: Episode
    snapshot: Snapshot | None
    also: tuple[Episode, ...]

    @property
    def rank(self) -> tuple[bool, bool, int, int, float, str]:
        severity, kind, _ = pressing(self.episode)
        due_at = self.episode.figures.get("due_at") or float("inf")
        return (self.row.reason in OVER, self.row.reason == "reminder", severity, kind, due_at, self.row.peg)


class Rounds:
    def __init__(self, registry: Registry, gatherer: Gatherer, links: LinkWriter, quiet: Quiet) -> None:
        self._registry, self._gatherer, self._links, self._quiet = registry, gatherer, links, quiet
        self._waiting: dict[Key, dict[str, Millis]] = {}  # notice -> when it is to go at the latest
        self._last: dict[Key, Millis] = {}

    def recover(self, ours: Callable[[str], bool]) -> None:
        """After a start: what is held for a round of our sites, and when each one's last was."""
        for person in self._registry.people.all():
            for row in self._registry.notices.all(person_id=person.id, limit=REMEMBERED):
                key = _key(row)
                if not ours(key.site):
                    continue
                gather_at = row.figures.get(GATHER_AT)
                if row.state == "held" and gather_at is not None:
                    self._waiting.setdefault(key, {})[row.id] = Millis(int(gather_at))
                elif row.state != "withheld" and row.pile_id is not None:
                    at = Millis(max(row.at, row.not_before or 0))
                    self._last[key] = max(at, self._last.get(key, at))

    def held(self, row: Notice, way: Channel, person: Person) -> Notice:
        """``row`` as it is to be stored: unchanged, or held for its round."""
        if way.kind not in READ_BY_PEOPLE or row.severity == "urgent" or row.pile_id is None:
            return row
        release = goes_at(row, self._last.get(_key(row)), person, self._quiet)
        return replace(
            row,
            state="held",
            not_before=Millis(release if release > row.at else release + GRACE_MS),
            figures=row.figures | {GATHER_AT: release},
        )

    def add(self, row: Notice) -> None:
        """It has been stored as ``held`` gave it."""
        gather_at = row.figures.get(GATHER_AT)
        if row.state == "held" and gather_at is not None:
            self._waiting.setdefault(_key(row), {})[row.id] = Millis(int(gather_at))

    def due(self, now: Millis) -> list[Key]:
        return [key for key, rows in self._waiting.items() if min(rows.values()) - EARLY_MS <= now]

    def go(self, now: Millis, directory: Directory, beginning: Beginning) -> None:
        """Send everyone on the rounds that are due, each with all that waits for it."""
        seen: dict[str, Snapshot | None] = {}
        for key in self.due(now):
            with beginning() as tx:
                told = self._send(tx, key, now, directory, seen)
            del self._waiting[key]
            if told:
                self._last[key] = now

    def _send(
        self, tx: Registry, key: Key, now: Millis, directory: Directory, seen: dict[str, Snapshot | None]
    ) -> bool:
        parts = []
        for notice_id in self._waiting[key]:
            part = self._part(tx, notice_id, now, seen)
            if part is not None:
                parts.append(part)
        if not parts:
            return False
        lead, *rest = sorted(parts, key=lambda part: part.rank)
        at = max(now, min(self._waiting[key][part.row.id] for part in parts))
        changes: dict[str, object] = {
            "state": "held" if at > now else "waiting",
            "not_before": _later(lead.row, at),
        }
        if rest or lead.row.at < now:
            changes |= self._words(directory, key, lead, rest, now)
        tx.notices.change(lead.row.id, **changes)
        for part in rest:
            tx.notices.change(
                part.row.id,
                state="withheld",
                reason=GROUPED,
                not_before=_later(part.row, at),
                figures=part.row.figures | {"with": lead.row.id, "step": part.row.reason},
            )
        return True

    def _part(
        self, tx: Registry, notice_id: str, now: Millis, seen: dict[str, Snapshot | None]
    ) -> _Part | None:
        """None: it is not to be told any more, or has gone by itself."""
        try:
            row = tx.notices.get(notice_id)
            episode = tx.episodes.get(row.episode_id)
            also = tuple(tx.episodes.get(id_) for id_ in row.figures.get(ALSO_IDS, ()))
        except NotFound:
            return None
        if row.state != "held" or GATHER_AT not in row.figures:  # gone, or put together by another watch
            return None
        why = "over_before_told" if episode.state == "resolved" else episode.state
        if row.reason not in OVER and why != "open" and not also:
            tx.notices.change(row.id, state="withheld", reason=why)
            return None
        if row.reason in OVER and _so_again(tx, episode):
            tx.notices.change(row.id, state="withheld", reason="overtaken")
            return None
        pile_id = row.pile_id or ""
        if pile_id not in seen:
            seen[pile_id] = self._look(pile_id, now)
        snapshot = seen[pile_id]
        return _Part(row, _as_now(episode, snapshot), snapshot, also)

    def _look(self, pile_id: str, now: Millis) -> Snapshot | None:
        try:
            return self._gatherer.pile(pile_id, now)
        except NotFound:
            return None

    def _words(
        self, directory: Directory, key: Key, lead: _Part, rest: Sequence[_Part], now: Millis
    ) -> Mapping[str, object]:
        person = directory.by_id.get(key.person_id)
        if person is None or lead.snapshot is None:
            return {}
        expires_at = Millis(now + LIFETIME_MS)
        beside = [
            Beside(
                part.episode,
                part.snapshot,
                _step(part.row),
                self._links(part.episode, person, expires_at),
                part.also,
            )
            for part in rest
            if part.snapshot is not None
        ]
        links = self._links(lead.episode, person, expires_at)
        whole = self._links(replace(lead.episode, pile_id=None), person, expires_at)
        message = compose(
            lead.episode, lead.snapshot, person, _step(lead.row), links, lead.also, beside, link_for_all=whole
        )
        kept = {name: lead.row.figures[name] for name in (ALSO_IDS, "held_for") if name in lead.row.figures}
        figures = message.figures | kept
        if rest:
            figures[ROUND_IDS] = [e.id for part in rest for e in (part.episode, *part.also)]
            figures["round"] = [{"peg": part.row.peg, "kind": part.row.kind} for part in rest]
        return {"title": message.title, "text": message.text, "links": message.links, "figures": figures}


def _key(row: Notice) -> Key:
    return Key(row.person_id, row.channel_id, row.site or "")


def _so_again(tx: Registry, episode: Episode) -> bool:
    return any(
        (other.kind, other.subject) == (episode.kind, episode.subject)
        for other in tx.episodes.unresolved(episode.pile_id)
    )


def _later(row: Notice, at: Millis) -> Millis | None:
    return at if at > row.at else None


def _step(row: Notice) -> StepReason:
    return next((reason for reason in STEP_REASONS if reason == row.reason), "first")


def _as_now(episode: Episode, snapshot: Snapshot | None) -> Episode:
    """With the figures of now, where it is still so."""
    if snapshot is None or episode.state == "resolved":
        return episode
    for verdict in CONDITIONS[episode.kind].judge(snapshot):
        if verdict.subject == episode.subject and verdict.state == "bad":
            return replace(episode, figures=verdict.figures)
    return episode
