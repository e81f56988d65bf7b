"""The audit log: who did what, from where."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from fastapi import APIRouter
from fastapi.responses import StreamingResponse
from pydantic import Field

from api.auth import HouseManager
from api.parts import PartsHere
from api.v1.wire import PAGE, PREFIX, At, Cursor, Limit, Out, Page, read_cursor, write_cursor
from shared.audit import Entry, check
from shared.ports import Registry

router = APIRouter(prefix=PREFIX, tags=["audit"])
_BATCH = 1000


class EntryOut(Out):
    """``digest`` is the SHA-256 over this entry and the digest before: a later edit breaks the chain."""

    seq: int
    at: At
    who: str
    by: str = Field(description="the key that was used: account:…, token:…, session:…, link, command line")
    act: str
    what: str
    site: str | None
    source: str = Field(description="the address that it came from")
    detail: dict[str, Any]
    digest: str


class ChainOut(Out):
    """``head`` noted elsewhere shows later whether the end was cut off."""

    entries: int
    head: str
    broken_at: int | None = Field(description="the first entry that does not follow from those before")


def show(entry: Entry) -> EntryOut:
    deed = entry.deed
    return EntryOut(
        seq=entry.seq, at=deed.at, who=deed.who, by=deed.by, act=deed.act, what=deed.what, site=deed.site,
        source=deed.source, detail=dict(deed.detail), digest=entry.digest,
    )  # fmt: skip


def all_entries(registry: Registry) -> Iterator[Entry]:
    """From the first on."""
    after = 0
    while found := registry.audit.entries(after=after, limit=_BATCH):
        yield from found
        after = found[-1].seq


def json_lines(registry: Registry) -> Iterator[str]:
    for entry in all_entries(registry):
        yield show(entry).model_dump_json() + "\n"


@router.get("/audit")
def list_audit(
    parts: PartsHere, _: HouseManager, cursor: Cursor = None, limit: Limit = PAGE
) -> Page[EntryOut]:
    """Newest first."""
    before = None if cursor is None else int(read_cursor(cursor, (0,))[0])
    found = parts.registry.audit.latest(before=before, limit=limit + 1)
    shown = found[:limit]
    return Page(
        items=[show(one) for one in shown],
        next=write_cursor((shown[-1].seq,)) if len(found) > limit else None,
    )


@router.get("/audit/chain")
def get_chain(parts: PartsHere, _: HouseManager) -> ChainOut:
    """Works the whole chain out anew."""
    verdict = check(all_entries(parts.registry))
    return ChainOut(entries=verdict.entries, head=verdict.head, broken_at=verdict.broken_at)


@router.get(
    "/audit.jsonl",
    response_class=StreamingResponse,
    responses={200: {"content": {"application/jsonl": {"schema": {"type": "string"}}}}},
)
def get_audit_file(parts: PartsHere, _: HouseManager) -> StreamingResponse:
    """All of it, oldest first, an entry a line."""
    headers = {"Content-Disposition": 'attachment; filename="audit.jsonl"'}
    return StreamingResponse(json_lines(parts.registry), media_type="application/jsonl", headers=headers)
