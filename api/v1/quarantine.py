"""Messages that could not be used."""

from __future__ import annotations

import base64

from fastapi import APIRouter
from pydantic import Field

from api.auth import Manager, Viewer
from api.parts import PartsHere
from api.problems import ProblemError
from api.v1.wire import PAGE, PREFIX, At, Cursor, Limit, Out, Page, read_cursor, write_cursor
from shared.ports import Quarantined

SHOWN_BYTES = 4096
router = APIRouter(prefix=PREFIX, tags=["quarantine"])


class QuarantinedOut(Out):
    """``payload`` is text where the bytes are UTF-8, else null; ``payload_base64`` always holds the first 4 KiB."""

    id: int
    received_at: At
    topic: str
    reason: str
    size: int = Field(description="bytes of the whole message")
    payload: str | None
    payload_base64: str


def show(message: Quarantined) -> QuarantinedOut:
    return QuarantinedOut(
        id=message.id,
        received_at=message.received_at,
        topic=message.topic,
        reason=message.reason,
        size=message.size,
        payload=_text(message.payload[:SHOWN_BYTES]),
        payload_base64=base64.b64encode(message.payload[:SHOWN_BYTES]).decode(),
    )


@router.get("/quarantine")
def list_quarantine(
    parts: PartsHere, _: Viewer, cursor: Cursor = None, limit: Limit = PAGE
) -> Page[QuarantinedOut]:
    """Newest first."""
    before = None if cursor is None else int(read_cursor(cursor, (0,))[0])
    found = parts.registry.quarantine.all(before=before, limit=limit + 1)
    shown = found[:limit]
    more = len(found) > limit
    return Page(items=[show(one) for one in shown], next=write_cursor((shown[-1].id,)) if more else None)


@router.delete("/quarantine/{message}", status_code=204)
def forget(message: int, parts: PartsHere, _: Manager) -> None:
    if not 0 < message < 2**53 or not _there(parts, message):
        raise ProblemError(404, f"there is no message {message} in the quarantine")
    parts.registry.quarantine.remove([message])


def _there(parts: PartsHere, message: int) -> bool:
    found = parts.registry.quarantine.all(before=message + 1, limit=1)
    return bool(found) and found[0].id == message


def _text(payload: bytes) -> str | None:
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError:
        return None
