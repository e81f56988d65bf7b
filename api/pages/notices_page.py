"""Who was told what, when, and why; and what still stands."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Query
from fastapi.responses import RedirectResponse, Response

from api.auth import Helper, Viewer
from api.pages.forms import Text, read
from api.pages.view import AnyView
from api.v1 import episodes, notices
from shared.times import HOUR, Millis, iso

router = APIRouter(include_in_schema=False)
PAGE_LENGTH = 50


@router.get("/notices")
def notices_page(
    view: AnyView,
    caller: Viewer,
    pile: Annotated[str | None, Query()] = None,
    person: Annotated[str | None, Query()] = None,
    after: Annotated[str, Query()] = "",
) -> Response:
    registry = view.parts.registry
    found = registry.notices.all(
        pile_id=pile or None, person_id=person or None, after=after, limit=PAGE_LENGTH + 1
    )
    piles = {one.id: one for one in registry.piles.all()}
    return view.page(
        "notices.html",
        notices=[notices.show(one, caller) for one in found[:PAGE_LENGTH]],
        more=found[PAGE_LENGTH - 1].id if len(found) > PAGE_LENGTH else "",
        standing=sorted(
            (one for one in registry.episodes.unresolved(pile or None)),
            key=lambda one: (("urgent", "act", "info").index(one.severity), one.opened_at),
        ),
        piles=piles,
        zones={site.slug: site.zone for site in registry.sites.all()},
        people={one.id: one for one in registry.people.all()},
        channels={one.id: one.kind for one in registry.people.channels()},
        pile=piles.get(pile or ""),
        person=person or "",
    )


@router.post("/episodes/{episode_id}/acknowledge")
def acknowledge(
    episode_id: str, view: AnyView, caller: Helper, onward: Annotated[str, Form(alias="next")] = "/notices"
) -> RedirectResponse:
    episodes.acknowledge(episode_id, view.parts, caller)
    return view.back(onward, "Seen. There will be no more reminders of it.")


@router.post("/episodes/{episode_id}/snooze")
def snooze(
    episode_id: str,
    view: AnyView,
    caller: Helper,
    hours: Text = "4",
    onward: Annotated[str, Form(alias="next")] = "/notices",
) -> RedirectResponse:
    length = {"4": 4, "12": 12, "24": 24}.get(hours, 4)
    until = iso(Millis(view.now + length * HOUR))
    episodes.snooze(episode_id, read(episodes.SnoozeIn, until=until), view.parts, caller)
    return view.back(onward, f"Quiet for {length} hours.")
