"""Sites."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from typing import IO

from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse

from api.auth import Manager, Viewer
from api.auth_reach import Reach
from api.parts import Parts, PartsHere
from api.problems import ProblemError
from api.v1.wire import PAGE, PREFIX, Cursor, In, Limit, Line, Out, Page, Slug, ZoneName, page_of
from shared.piles import Site
from shared.ports import Conflict
from shared.site_export import EXPORTED, write_site

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


@router.get(
    "/sites/{slug}/export.zip",
    response_class=StreamingResponse,
    responses={200: {"content": {"application/zip": {"schema": {"type": "string", "format": "binary"}}}}},
)
def export_site(request: Request, slug: str, parts: PartsHere, _: Manager) -> StreamingResponse:
    """The whole site as open files, without any secret: what `turnbell site import` takes in elsewhere."""
    site = parts.registry.sites.get(slug)  # there for a manager of it alone
    whole: Parts = request.app.state.parts
    packed = tempfile.TemporaryFile(dir=whole.data_dir)  # noqa: SIM115  # closed when it is sent
    try:
        count = write_site(
            slug, whole.registry, whole.readings, whole.book, whole.data_dir, packed, whole.clock.now()
        )
        reach: Reach = request.state.reach
        whole.registry.audit.append(reach.deed(EXPORTED, slug, slug, {"readings": count}))
    except BaseException:
        packed.close()
        raise
    headers = {"Content-Disposition": f'attachment; filename="{site.slug}.zip"'}
    return StreamingResponse(_sent(packed), media_type="application/zip", headers=headers)


def _sent(packed: IO[bytes]) -> Iterator[bytes]:
    with packed:
        packed.seek(0)
        while block := packed.read(1 << 20):
            yield block
