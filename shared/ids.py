"""Ids are text that sorts by the time it was made."""

from __future__ import annotations

import re
import secrets

from shared.times import Millis

_OURS = re.compile(r"[0-9a-f]{19}")


def new_id(now: Millis) -> str:
    """Nineteen hex digits: eleven of the instant, eight of chance."""
    return f"{now:011x}{secrets.token_hex(4)}"


def made_at(id_: str) -> Millis | None:
    """When ``new_id`` made it; None = it was made otherwise."""
    return Millis(int(id_[:11], 16)) if _OURS.fullmatch(id_) else None
