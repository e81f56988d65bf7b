"""Episodes: what is the matter, and what people answered."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from fastapi import APIRouter

from api.auth import Helper, Viewer
from api.parts import PartsHere
from api.problems import ProblemError, unprocessable
from api.v1.lookup import find_pile
from api.v1.wire import PAGE, PREFIX, At, Cursor, In, Instant, Limit, Out, Page, page_of, page_of_log
from shared.episodes import Episode, EpisodeState, NoticeKind, Severity
from shared.times import DAY

router = APIRouter(prefix=PREFIX, tags=["episodes"])

LONGEST_SNOOZE_MS = 30 * DAY


class SnoozeIn(In):
    until: Instant


class EpisodeOut(Out):
    id: str
    kind: NoticeKind
    site: str | None
    pile: str | None
    subject: str
    severity: Severity
    state: EpisodeState
    reason: str
    figures: dict[str, Any]
    opened_at: At
    worsened_at: At | None
    acknowledged_at: At | None
    acknowledged_by: str
    snoozed_until: At | None
    resolved_at: At | None
    resolved_reason: str


def show(episode: Episode) -> EpisodeOut:
    return EpisodeOut(
        id=episode.id,
        kind=episode.kind,
        site=episode.site,
        pile=episode.pile_id,
        subject=episode.subject,
        severity=episode.severity,
        state=episode.state,
        reason=episode.reason,
        figures=episode.figures,
        opened_at=episode.opened_at,
        worsened_at=episode.worsened_at,
        acknowledged_at=episode.acknowledged_at,
        acknowledged_by=episode.acknowledged_by,
        snoozed_until=episode.snoozed_until,
        resolved_at=episode.resolved_at,
        resolved_reason=episode.resolved_reason,
    )


@router.get("/episodes")
def list_episodes(
    parts: PartsHere,
    _: Viewer,
    pile: str | None = None,
    kind: NoticeKind | None = None,
    open: bool | None = None,  # noqa: A002 - the query's name
    cursor: Cursor = None,
    limit: Limit = PAGE,
) -> Page[EpisodeOut]:
    """Newest first; ``open=true`` gives those that are not resolved."""
    pile_id = None if pile is None else find_pile(parts.registry, pile).id
    episodes = parts.registry.episodes
    if open:
        found = [one for one in episodes.unresolved(pile_id) if kind in {None, one.kind}]
        return page_of(found, show, lambda one: (one.opened_at, one.id), cursor, limit, newest_first=True)
    return page_of_log(
        lambda after, count: episodes.all(pile_id=pile_id, kind=kind, after=after, limit=count),
        show,
        cursor,
        limit,
        wanted=None if open is None else lambda one: one.state == "resolved",
    )


@router.get("/episodes/{episode}")
def get_episode(episode: str, parts: PartsHere, _: Viewer) -> EpisodeOut:
    return show(parts.registry.episodes.get(episode))


@router.post("/episodes/{episode}/acknowledge")
def acknowledge(episode: str, parts: PartsHere, caller: Helper) -> EpisodeOut:
    """Someone has seen it: no more reminders. Saying so again changes nothing."""
    with parts.registry.begin() as tx:
        held = _unresolved(tx.episodes.get(episode))
        if held.state != "acknowledged":
            held = replace(
                held,
                state="acknowledged",
                acknowledged_at=parts.clock.now(),
                acknowledged_by=caller.name,
                snoozed_until=None,
            )
            tx.episodes.put(held)
    return show(held)


@router.post("/episodes/{episode}/snooze")
def snooze(episode: str, asked: SnoozeIn, parts: PartsHere, caller: Helper) -> EpisodeOut:
    """Quiet until then, at most 30 days ahead."""
    now = parts.clock.now()
    if not now < asked.until <= now + LONGEST_SNOOZE_MS:
        raise unprocessable("body.until", "must lie ahead, by at most 30 days")
    with parts.registry.begin() as tx:
        held = replace(
            _unresolved(tx.episodes.get(episode)),
            state="snoozed",
            snoozed_until=asked.until,
            acknowledged_at=now,
            acknowledged_by=caller.name,
        )
        tx.episodes.put(held)
    return show(held)


def _unresolved(episode: Episode) -> Episode:
    if episode.state == "resolved":
        raise ProblemError(409, "This is over already.")
    return episode
