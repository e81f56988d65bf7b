"""One look at one place: snapshot -> verdicts -> changes of episodes -> words, within the transaction it is handed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from alerts.conditions.table import of_scope
from alerts.conditions.verdict import Scope, Verdict
from alerts.deadlines import soonest
from alerts.lifecycle import Change, Place, advance, carried_on, close_all
from alerts.messages import Messages
from alerts.policy_people import Directory
from alerts.policy_times import Quiet
from alerts.rounds import Rounds
from alerts.snapshot import Snapshot
from alerts.telling import Teller
from alerts.wording_links import LinkWriter
from shared.episodes import Episode
from shared.ports import Registry
from shared.times import Millis


@dataclass(frozen=True, slots=True)
class Looked:
    changes: tuple[Change, ...]
    look_again_at: Millis | None


@dataclass(frozen=True, slots=True)
class Judging:
    """What stays the same for all places of a tick."""

    directory: Directory
    quiet: Quiet
    links: LinkWriter
    rounds: Rounds | None = None

    def look(
        self,
        tx: Registry,
        snapshot: Snapshot,
        scope: Scope,
        unresolved: Sequence[Episode],
        *,
        told_of_parent: frozenset[str] = frozenset(),
        anew: bool = False,
    ) -> Looked:
        """``unresolved``: every unresolved episode of this very place."""
        changes, verdicts = judged(snapshot, scope, unresolved)
        known = {episode.id: episode for episode in unresolved} | {c.episode.id: c.spoken for c in changes}
        messages = Messages(tx, self.directory, self.links, snapshot, known, self.rounds)
        teller = Teller(tx, self.directory, self.quiet, messages, snapshot)
        told_again_at = teller.tell(changes, told_of_parent=told_of_parent, anew=anew)
        again = soonest(
            told_again_at,
            snapshot.takes_effect_at,
            *(v.look_again_at for v in verdicts),
            *(c.look_again_at for c in changes),
        )
        return Looked(tuple(changes), None if again is None else Millis(max(again, snapshot.now + 1)))


def judged(
    snapshot: Snapshot, scope: Scope, unresolved: Sequence[Episode]
) -> tuple[list[Change], list[Verdict]]:
    """What the conditions of a scope make of a place. Pure."""
    now, pile = snapshot.now, snapshot.pile
    if pile is not None and pile.finished_at is not None and pile.finished_at <= now:
        return close_all(unresolved, now, "pile_finished"), []
    place = Place(
        site=pile.site if pile else snapshot.site.slug if snapshot.site else None,
        pile_id=pile.id if pile else None,
    )
    changes: list[Change] = []
    verdicts: list[Verdict] = []
    for condition in of_scope(scope):
        found = condition.judge(snapshot)
        verdicts += found
        changes += [carried_on(c, unresolved) for c in advance(condition, found, unresolved, place, now)]
    return changes, verdicts
