"""Ids are text that sorts by the time it was made."""

from __future__ import annotations

import secrets

from shared.times import Millis


def new_id(now: Millis) -> str:
    """Nineteen hex digits: eleven of the instant, eight of chance."""
    return f"{now:011x}{secrets.token_hex(4)}"
