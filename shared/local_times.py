"""Sentences of a report carry their instants in UTC; here they are put into a person's zone."""

from __future__ import annotations

import re

from shared.times import parse_time, to_datetime

_INSTANT = re.compile(r"\b(\d{4}-\d{2}-\d{2}) (\d{2}:\d{2}) UTC\b")


def in_zone(sentence: str, zone: str) -> str:
    """``at 2026-06-04 12:51 UTC`` becomes ``at 2026-06-04 13:51`` for Europe/Dublin; say the zone beside it."""
    return _INSTANT.sub(lambda found: _local(f"{found[1]}T{found[2]}Z", zone), sentence)


def _local(instant: str, zone: str) -> str:
    return to_datetime(parse_time(instant), zone).strftime("%Y-%m-%d %H:%M")
