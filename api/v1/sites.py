"""Sites."""

from __future__ import annotations

from fastapi import APIRouter

from api.auth import Manager, Viewer
from api.parts import PartsHere
from api.problems import ProblemError
from api.v1.wire import PAGE, PREFIX, Cursor, In, Limit, Line, Out, Page, Slug, ZoneName, page_of
from shared.piles import Site
from shared.ports import Conflict

router = APIRouter(prefix=PREFIX, tags=["sites"])


class SiteIn(In):
    slug: Slug
    name: Line
    zone: ZoneName


class SiteOut(Out):
    slug: str
    name: str
    zone: str


def show(site: Site) -> SiteOut:
    return SiteOut(slug=site.slug, name=site.name, zone=site.zone)


@router.post("/sites", status_code=201)
def add_site(asked: SiteIn, parts: PartsHere, _: Manager) -> SiteOut:
    site = Site(asked.slug, asked.name, asked.zone)
    try:
        parts.registry.sites.add(site)
    except Conflict:
        raise ProblemError(409, f"there is a site {asked.slug} already") from None
    return show(site)


@router.get("/sites")
def list_sites(parts: PartsHere, _: Viewer, cursor: Cursor = None, limit: Limit = PAGE) -> Page[SiteOut]:
    """By slug."""
    return page_of(parts.registry.sites.all(), show, lambda site: (site.slug,), cursor, limit)


@router.get("/sites/{slug}")
def get_site(slug: str, parts: PartsHere, _: Viewer) -> SiteOut:
    return show(parts.registry.sites.get(slug))
