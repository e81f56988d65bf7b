"""On which line of a TOML text a key stands, so that a refusal can point at it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

_HEADER = re.compile(r"^\s*(\[{1,2})\s*([^\[\]#]+?)\s*\]{1,2}")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-.\"' ]+?)\s*=")


def line_of(text: str, path: Sequence[str | int]) -> int:
    """The line (from 1) of the key at ``path``, such as ``("alternative", 1, "days")``; of its table where the key
    itself is not there; 1 where not even that is."""
    keys = tuple(path)
    where = _lines(text)
    while keys:
        for there in (keys, (*keys, 0)):  # an array of tables stands where its first table does
            if there in where:
                return where[there]
        keys = keys[:-1]
    return 1


def _lines(text: str) -> dict[tuple[str | int, ...], int]:
    found: dict[tuple[str | int, ...], int] = {}
    seen: Counter[tuple[str | int, ...]] = Counter()
    table: tuple[str | int, ...] = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            table = _table(_parts(header.group(2)), header.group(1) == "[[", seen)
            found.setdefault(table, number)
        elif key := _KEY.match(line):
            found.setdefault((*table, *_parts(key.group(1))), number)
    return found


def _table(
    parts: tuple[str, ...], is_array: bool, seen: Counter[tuple[str | int, ...]]
) -> tuple[str | int, ...]:
    path: tuple[str | int, ...] = ()
    for part in parts[:-1]:
        path = (*path, part)
        if seen[path]:
            path = (*path, seen[path] - 1)
    path = (*path, parts[-1])
    if is_array:
        seen[path] += 1
        path = (*path, seen[path] - 1)
    return path


def _parts(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))
