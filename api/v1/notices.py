"""Notices: who was told what, and who was not, and why."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter

from api.auth import Caller, Viewer
from api.parts import PartsHere
from api.v1.lookup import find_pile
from api.v1.wire import PAGE, PREFIX, At, Cursor, Limit, Out, Page, page_of_log
from shared.episodes import NoticeKind, Severity
from shared.links import without_tokens
from shared.notices import Notice, NoticeState

router = APIRouter(prefix=PREFIX, tags=["notices"])


class NoticeOut(Out):
    """``reason`` names why it was sent or withheld. A viewer does not get the links that act."""

    id: str
    episode: str
    kind: NoticeKind
    severity: Severity
    person: str
    channel: str
    reason: str
    at: At
    title: str
    text: str
    pile: str | None
    peg: str
    site: str | None
    figures: dict[str, Any]
    links: dict[str, str]
    state: NoticeState
    not_before: At | None
    tries: int
    sent_at: At | None
    last_error: str


def show(notice: Notice, caller: Caller) -> NoticeOut:
    acts = caller.may("helper", notice.site) if notice.site else caller.may_everywhere("helper")
    return NoticeOut(
        id=notice.id,
        episode=notice.episode_id,
        kind=notice.kind,
        severity=notice.severity,
        person=notice.person_id,
        channel=notice.channel_id,
        reason=notice.reason,
        at=notice.at,
        title=notice.title,
        text=notice.text if acts else without_tokens(notice.text),
        pile=notice.pile_id,
        peg=notice.peg,
        site=notice.site,
        figures=notice.figures,
        links=notice.links if acts else {name: to for name, to in notice.links.items() if without_tokens(to) == to},
        state=notice.state,
        not_before=notice.not_before,
        tries=notice.tries,
        sent_at=notice.sent_at,
        last_error=notice.last_error if acts else "",
    )  # fmt: skip


@router.get("/notices")
def list_notices(
    parts: PartsHere,
    caller: Viewer,
    pile: str | None = None,
    kind: NoticeKind | None = None,
    person: str | None = None,
    cursor: Cursor = None,
    limit: Limit = PAGE,
) -> Page[NoticeOut]:
    """Newest first."""
    pile_id = None if pile is None else find_pile(parts.registry, pile).id
    return page_of_log(
        lambda after, count: parts.registry.notices.all(
            pile_id=pile_id, kind=kind, person_id=person, after=after, limit=count
        ),
        lambda notice: show(notice, caller),
        cursor,
        limit,
    )


@router.get("/notices/{notice}")
def get_notice(notice: str, parts: PartsHere, caller: Viewer) -> NoticeOut:
    return show(parts.registry.notices.get(notice), caller)
