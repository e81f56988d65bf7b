"""Who did what, from where, in a chain: each entry's digest covers the one before, so a later edit shows."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from shared.times import Millis

FIRST = "0" * 64  # what stands before the first entry
COMMAND_LINE = "command line"


@dataclass(frozen=True, slots=True)
class Deed:
    """``by`` names the key that was used (``account:…``, ``token:…``, ``link``, ``COMMAND_LINE``)."""

    at: Millis
    who: str
    by: str
    act: str  # piles.change, session.opened
    what: str  # the id of what it was done to
    site: str | None = None
    source: str = ""  # the address that it came from
    detail: Mapping[str, Any] = field(default_factory=dict)  # JSON; never a secret


@dataclass(frozen=True, slots=True)
class Entry:
    seq: int
    deed: Deed
    digest: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """``broken_at`` is the first entry that does not follow from those before; ``head`` the digest of the last."""

    entries: int
    head: str
    broken_at: int | None = None


def digest_after(before: str, seq: int, deed: Deed) -> str:
    row = [
        before, seq, deed.at, deed.who, deed.by, deed.act, deed.what, deed.site, deed.source, dict(deed.detail),
    ]  # fmt: skip
    text = json.dumps(row, separators=(",", ":"), sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def check(entries: Iterable[Entry]) -> Verdict:
    """``entries`` from the first on, in order. A tail that was cut off shows only against a head noted elsewhere."""
    head, count = FIRST, 0
    for entry in entries:
        count += 1
        if entry.seq != count or entry.digest != digest_after(head, entry.seq, entry.deed):
            return Verdict(count, head, count)
        head = entry.digest
    return Verdict(count, head)
