"""How things look in JSON: instants, texts, numbers, pages of a list."""

from __future__ import annotations

import base64
import binascii
import json
import math
import re
from collections.abc import Callable, Iterable
from typing import Annotated, Any, Generic, TypeVar

from fastapi import Query
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from api.problems import unprocessable
from shared.heat.report import At
from shared.ports import NotFound
from shared.times import Millis, TimeError, parse_time, zone_of

PREFIX = "/api/v1"
EARLIEST = parse_time("1970-01-01T00:00:00Z")
LATEST = parse_time("2200-01-01T00:00:00Z")
AHEAD_MS = 10 * 60_000  # how far a clock may run ahead of ours

Item = TypeVar("Item")

__all__ = ["At"]


class In(BaseModel):
    """What a caller sends. A field that is not known is an error, not a silence."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True, str_strip_whitespace=True
    )


class Out(BaseModel):
    """What we answer."""

    model_config = ConfigDict(
        frozen=True, populate_by_name=True, serialize_by_alias=True, from_attributes=True
    )


def read_instant(value: object) -> Millis:
    """ISO 8601 with an offset, between 1970 and 2200; ValueError says what is wrong."""
    if not isinstance(value, str):
        raise ValueError("a time is text such as 2026-11-25T06:00:00Z")  # noqa: TRY004 - pydantic takes ValueError
    # a + that was not escaped in an address arrives as a space
    text = re.sub(r"(?<=\d) (?=\d\d:?\d\d$)", "+", value) if "T" in value else value
    try:
        at = parse_time(text)
    except TimeError as error:
        raise ValueError(str(error)) from None
    except OverflowError:
        raise ValueError("a time lies between 1970 and 2200") from None
    if not EARLIEST <= at < LATEST:
        raise ValueError("a time lies between 1970 and 2200")
    return at


def _plain(text: str) -> str:
    if not text.isprintable():
        raise ValueError("must be one line of printable characters")
    return text


def _lines(text: str) -> str:
    if any(not (mark.isprintable() or mark in "\n\t\r") for mark in text):
        raise ValueError("must be printable text")
    return text


def _zone(name: str) -> str:
    try:
        zone_of(name)
    except TimeError as error:
        raise ValueError(str(error)) from None
    return name


def _finite(value: Any, depth: int = 0) -> Any:
    if depth > 16:
        raise ValueError("is nested too deeply")
    if isinstance(value, dict):
        for key, inner in value.items():
            _lines(str(key))
            _finite(inner, depth + 1)
    elif isinstance(value, list):
        for inner in value:
            _finite(inner, depth + 1)
    elif isinstance(value, str):
        _lines(value)
    elif isinstance(value, float) and not math.isfinite(value):
        raise ValueError("numbers must be finite")
    elif isinstance(value, int) and abs(value) > 2**53:
        raise ValueError("numbers must be at most 2^53")
    return value


Instant = Annotated[
    Millis, BeforeValidator(read_instant), WithJsonSchema({"type": "string", "format": "date-time"})
]
Slug = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")]
Line = Annotated[str, Field(min_length=1, max_length=120), AfterValidator(_plain)]
"""A name of something."""
ShortText = Annotated[str, Field(max_length=200), AfterValidator(_plain)]
Words = Annotated[str, Field(max_length=4000), AfterValidator(_lines)]
Ref = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_plain)]
"""The id of something."""
ZoneName = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_zone)]
Tree = Annotated[dict[str, Any], AfterValidator(_finite)]
"""Any JSON object that can be kept and given back."""


class Page(Out, Generic[Item]):
    """Part of a list; ``next`` asks for what follows (?cursor=), null at the end."""

    items: list[Item]
    next: str | None = None


Cursor = Annotated[str | None, Query(max_length=500, description="`next` of the page before")]
Limit = Annotated[int, Query(ge=1, le=1000, description="at most so many")]
PAGE = 200


def page_of(
    found: Iterable[Any],
    show: Callable[[Any], Item],
    key: Callable[[Any], tuple[Any, ...]],
    cursor: str | None,
    limit: int,
    *,
    newest_first: bool = False,
) -> Page[Item]:
    """One page of ``found`` in the order of ``key``, which must tell any two apart.

    A cursor holds the key of the last one shown, so what comes or goes meanwhile moves nothing.
    """
    ordered = sorted(found, key=key, reverse=newest_first)
    if cursor is not None:
        after = read_cursor(cursor, key(ordered[0]) if ordered else None)
        ordered = [one for one in ordered if (key(one) < after if newest_first else key(one) > after)]
    shown = ordered[:limit]
    more = len(ordered) > limit
    return Page(items=[show(one) for one in shown], next=write_cursor(key(shown[-1])) if more else None)


def write_cursor(key: tuple[Any, ...]) -> str:
    return base64.urlsafe_b64encode(json.dumps(key).encode()).decode().rstrip("=")


def read_cursor(cursor: str, like: tuple[Any, ...] | None) -> tuple[Any, ...]:
    """The key in ``cursor``, of the same make as ``like``."""
    try:
        raw = base64.urlsafe_b64decode(cursor.encode("ascii") + b"=" * (-len(cursor) % 4))
        key = json.loads(raw)
    except (ValueError, binascii.Error, RecursionError):
        key = None
    if not isinstance(key, list) or (like is not None and [type(x) for x in key] != [type(x) for x in like]):
        raise unprocessable("query.cursor", "This cursor is not one of ours; begin without it.")
    return tuple(key)


def no_later_than(now: Millis, at: Millis, where: str) -> None:
    """422 when something that has happened is dated ahead of us."""
    if at > now + AHEAD_MS:
        raise unprocessable(where, "lies in the future")


def page_of_log(
    fetch: Callable[[str, int], list[Any]],
    show: Callable[[Any], Item],
    cursor: str | None,
    limit: int,
    wanted: Callable[[Any], bool] | None = None,
) -> Page[Item]:
    """One page of a long list that the registry itself pages: ``fetch(after_id, count)``."""
    after = "" if cursor is None else str(read_cursor(cursor, ("",))[0])
    shown: list[Any] = []
    while True:
        try:
            found = fetch(after, limit + 1)
        except NotFound:
            raise unprocessable("query.cursor", "This cursor is not one of ours; begin without it.") from None
        for one in found:
            if len(shown) == limit:
                return Page(items=[show(it) for it in shown], next=write_cursor((shown[-1].id,)))
            if wanted is None or wanted(one):
                shown.append(one)
        if len(found) <= limit:
            return Page(items=[show(it) for it in shown])
        after = found[-1].id
