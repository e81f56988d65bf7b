"""Notices as rows: one message per person and way, told now or held, and every decision not to tell with its reason."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

from alerts.conditions.table import pressing
from alerts.lifecycle import Change
from alerts.policy import OVER, Hold, Telling
from alerts.policy_people import Directory
from alerts.policy_plan import GROUPED
from alerts.rounds import GATHER_AT, Rounds
from alerts.snapshot import Snapshot, StepReason
from alerts.wording import compose
from alerts.wording_links import LinkWriter
from shared.episodes import Episode
from shared.links import LIFETIME_MS
from shared.notices import ALSO_IDS, ROUND_IDS, Notice
from shared.people import Channel, Person
from shared.ports import Registry
from shared.times import Millis


def notice_id(episode: Episode, step: str, person_id: str, channel_id: str) -> str:
    """The idempotency key: the same word to the same person by the same way, however often it is worked out."""
    what = f"{episode.id}\x1f{step}\x1f{person_id}\x1f{channel_id}"
    return f"{episode.opened_at:011x}{hashlib.sha256(what.encode()).hexdigest()[:16]}"


@dataclass(frozen=True, slots=True)
class Word:
    """A telling that passed the policy; ``hold`` when it has to wait."""

    telling: Telling
    hold: Hold | None = None

    @property
    def episode(self) -> Episode:
        return self.telling.episode

    @property
    def rank(self) -> tuple[bool, bool, tuple[int, int, str]]:
        """What is new leads, then what is pressing; that something is over comes last."""
        return (self.telling.reason in OVER, self.telling.reason == "reminder", pressing(self.episode))


class Messages:
    """The notices of one place within one transaction. ``episodes``: all of the place, by id, with the figures of now."""

    def __init__(
        self,
        tx: Registry,
        directory: Directory,
        links: LinkWriter,
        snapshot: Snapshot,
        episodes: dict[str, Episode],
        rounds: Rounds | None = None,
    ) -> None:
        self._rounds = rounds
        self._tx, self._directory, self._links = tx, directory, links
        self._snapshot, self._now, self._episodes = snapshot, snapshot.now, episodes
        self._held: set[str] = set()

    def say(self, words: Sequence[Word]) -> set[str]:
        """Store the messages; gives the episodes for which one is held."""
        mine: dict[str, list[Word]] = {}
        for word in words:
            mine.setdefault(word.telling.person.id, []).append(word)
        for spoken in mine.values():
            self._say_to_one(spoken[0].telling.person, sorted(spoken, key=lambda word: word.rank))
        return self._held

    def note(self, episode: Episode, step: str, person_id: str, why: str, **figures: str) -> None:
        """A decision not to tell, kept once with its reason."""
        row = self._row(episode, f"{step}.{why}", person_id, "", why)
        title = f"Not told: {why.replace('_', ' ')}"
        self._store(replace(row, title=title, state="withheld", figures={"step": step, **figures}))

    def settle_held(self, changes: Sequence[Change]) -> set[str]:
        """What is held and has been answered or is over is not sent; what is still so gets the words of now.

        Gives the ids of episodes that were to be told along with a message that is dropped: they want a new one.
        """
        loose: set[str] = set()
        for change in changes:
            if not change.episode.holds.get("held"):
                continue
            for notice in self._tx.notices.of_episode(change.episode.id):
                if not _may_change(notice):
                    continue
                why = _dropped_because(change)
                if why:
                    self._tx.notices.change(notice.id, state="withheld", reason=why)
                    loose.update(self._release(notice))
                elif (notice.not_before or 0) > self._now:
                    self._rewrite(notice, change.episode)
        return loose

    def _say_to_one(self, person: Person, words: list[Word]) -> None:
        lead, *rest = words
        told_now = [word for word in words if word.hold is None]
        if told_now and lead.hold is not None:  # what cannot wait takes the rest along
            lead = told_now[0]
            rest = [word for word in words if word is not lead]
        hold = lead.hold
        earlier = self._held_for(person) if hold is not None and lead.telling.reason not in OVER else []
        for leading in earlier:
            if pressing(leading) < pressing(lead.episode):
                self._join(person, leading, [word.episode for word in words])
                self._group(words, notice_id(leading, "first", person.id, ""))
                return
        also = [word.episode for word in rest]
        for other in earlier:
            also += [other, *self._withdraw(person, other)]
        self._write(person, lead, also)
        self._group(rest, notice_id(lead.episode, lead.telling.step, person.id, ""))

    def _group(self, words: Sequence[Word], leader: str) -> None:
        for word in words:
            self.note(word.episode, word.telling.step, word.telling.person.id, GROUPED, **{"with": leader})

    def _write(self, person: Person, lead: Word, also: Sequence[Episode]) -> None:
        for way in self._directory.ways_to(person.id):
            notice = self._composed(person, way, lead.episode, lead.telling.reason, lead.telling.step, also)
            if lead.hold is not None:
                figures = {**notice.figures, "held_for": lead.hold.why}
                notice = replace(notice, state="held", not_before=lead.hold.until, figures=figures)
            if self._rounds is not None:
                notice = self._rounds.held(notice, way, person)
            if notice.not_before is not None and notice.figures.get(GATHER_AT, notice.not_before) > self._now:
                self._held.add(lead.episode.id)
            self._store(notice)

    def _composed(
        self,
        person: Person,
        way: Channel,
        episode: Episode,
        reason: StepReason,
        step: str,
        also: Sequence[Episode],
    ) -> Notice:
        episode = self._episodes.get(episode.id, episode)
        links = self._links(episode, person, Millis(self._now + LIFETIME_MS))
        also = [self._episodes.get(other.id, other) for other in also]
        message = compose(episode, self._snapshot, person, reason, links, also)
        figures = {**message.figures, ALSO_IDS: [other.id for other in also]} if also else message.figures
        return replace(
            self._row(episode, step, person.id, way.id, reason),
            title=message.title,
            text=message.text,
            figures=figures,
            links=message.links,
        )

    def _row(self, episode: Episode, step: str, person_id: str, channel_id: str, reason: str) -> Notice:
        pile = self._snapshot.pile
        return Notice(
            id=notice_id(episode, step, person_id, channel_id),
            episode_id=episode.id,
            kind=episode.kind,
            severity="info" if reason in OVER else episode.severity,
            person_id=person_id,
            channel_id=channel_id,
            reason=reason,
            at=self._now,
            title="",
            text="",
            pile_id=episode.pile_id,
            peg=pile.peg if pile else "",
            site=episode.site,
        )

    def _store(self, notice: Notice) -> None:
        """Once only; a word that was withdrawn before anyone got it may be said after all."""
        if not self._tx.notices.put(notice):
            if notice.state == "withheld" or self._tx.notices.get(notice.id).state != "withheld":
                return
            fields = asdict(notice)
            fields.pop("id")
            self._tx.notices.change(notice.id, **fields)
        if self._rounds is not None:
            self._rounds.add(notice)

    # -- messages that are held already

    def _held_rows(self, person: Person) -> list[Notice]:
        pile = self._snapshot.pile
        if pile is None:
            return []
        rows = self._tx.notices.all(pile_id=pile.id, person_id=person.id, limit=30)
        return [row for row in rows if _may_change(row)]

    def _held_for(self, person: Person) -> list[Episode]:
        ids = {row.episode_id for row in self._held_rows(person)}
        return [episode for id_, episode in self._episodes.items() if id_ in ids]

    def _join(self, person: Person, leading: Episode, more: Sequence[Episode]) -> None:
        for row in self._held_rows(person):
            if row.episode_id == leading.id:
                self._rewrite(row, leading, more)

    def _withdraw(self, person: Person, episode: Episode) -> list[Episode]:
        """Its message gives way to a more pressing one, which tells of it and of what it would have told of."""
        also: dict[str, Episode] = {}
        for row in self._held_rows(person):
            if row.episode_id == episode.id:
                also |= {other.id: other for other in self._told_along(row)}
                self._tx.notices.change(
                    row.id, state="withheld", reason=GROUPED, figures={"with": "held", "step": row.reason}
                )
        return list(also.values())

    def _rewrite(self, notice: Notice, episode: Episode, more: Sequence[Episode] = ()) -> None:
        person = self._directory.by_id.get(notice.person_id)
        way = next((w for w in self._directory.ways_to(notice.person_id) if w.id == notice.channel_id), None)
        self._held.add(episode.id)
        if person is None or way is None:
            return
        also = [other for other in self._told_along(notice) if other.state != "resolved"] + list(more)
        reason: StepReason = "reminder" if notice.reason == "reminder" else "first"
        new = self._composed(person, way, episode, reason, "", also)
        kept = {name: notice.figures[name] for name in ("held_for", GATHER_AT) if name in notice.figures}
        self._tx.notices.change(
            notice.id,
            title=new.title,
            text=new.text,
            links=new.links,
            figures=new.figures | kept,
            severity=new.severity,
        )

    def _told_along(self, notice: Notice) -> list[Episode]:
        return [self._episodes[id_] for id_ in notice.figures.get(ALSO_IDS, ()) if id_ in self._episodes]

    def _release(self, dropped: Notice) -> set[str]:
        """The episodes that ``dropped`` was to tell of as well count as not told again."""
        released: set[str] = set()
        for episode in self._told_along(dropped):
            for row in self._tx.notices.of_episode(episode.id):
                if row.reason == GROUPED and row.person_id == dropped.person_id:
                    self._tx.notices.change(row.id, figures={"step": row.figures.get("step", "first")})
                    released.add(episode.id)
        return released


def _may_change(row: Notice) -> bool:
    """Held for later; but a letter about several piles that is put together goes within the minute as it is."""
    return row.state == "held" and row.reason not in OVER and ROUND_IDS not in row.figures


def _dropped_because(change: Change) -> str:
    if change.event in OVER:
        return "over_before_told"
    if change.event == "worse":
        return "overtaken"
    return change.episode.state if change.episode.state in {"acknowledged", "snoozed"} else ""
