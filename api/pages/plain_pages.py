"""Pages that mostly read: rules and guides, the quarantine, peg labels, units."""

from __future__ import annotations

from typing import Annotated

import segno
from fastapi import APIRouter, Form, Query
from fastapi.responses import RedirectResponse, Response

from api.auth import Manager, Viewer
from api.auth_session import safe_path
from api.pages.forms import Text
from api.pages.view import UNITS_COOKIE, AnyView
from api.v1 import quarantine
from shared.units import Units

router = APIRouter(include_in_schema=False)


@router.get("/rules")
def rules_page(view: AnyView, _: Viewer) -> Response:
    catalogue = view.parts.catalogue
    return view.page(
        "rules.html", rules=list(catalogue.rules.values()), guides=list(catalogue.guides.values()),
        default=catalogue.default_guide.id,
    )  # fmt: skip


@router.get("/quarantine")
def quarantine_page(view: AnyView, caller: Viewer, cursor: Annotated[str | None, Query()] = None) -> Response:
    page = quarantine.list_quarantine(view.parts, caller, cursor, 50)
    return view.page("quarantine.html", messages=page.items, more=page.next)


@router.post("/quarantine/{message_id}/forget")
def forget(message_id: int, view: AnyView, caller: Manager) -> RedirectResponse:
    quarantine.forget(message_id, view.parts, caller)
    return view.back("/quarantine", "Gone.")


@router.get("/labels")
def labels_page(
    view: AnyView, _: Viewer, pile: Annotated[str, Query()] = "", site: Annotated[str, Query()] = ""
) -> Response:
    registry = view.parts.registry
    found = [registry.piles.get(pile)] if pile else registry.piles.all(site=site or None, open_only=True)
    base = (view.parts.settings.web.public_url or str(view.request.base_url)).rstrip("/")
    labels = [
        (one, segno.make(f"{base}/piles/{one.id}", error="m").svg_data_uri(scale=4, border=2))
        for one in found
    ]
    return view.page(
        "labels.html", labels=labels, base=base, public=view.parts.settings.web.public_url,
        sites={one.slug: one for one in registry.sites.all()},
    )  # fmt: skip


@router.post("/preferences")
def preferences(
    view: AnyView, units: Text, onward: Annotated[str, Form(alias="next")] = "/"
) -> RedirectResponse:
    answer = RedirectResponse(safe_path(onward), 303)
    chosen: Units = "fahrenheit" if units == "fahrenheit" else "celsius"
    view.choose_units(chosen)
    answer.set_cookie(UNITS_COOKIE, chosen, max_age=400 * 86_400, httponly=True, samesite="lax")
    return answer
