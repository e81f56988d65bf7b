"""What forms send, read for the same functions that the JSON routes are."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, TypeVar

from fastapi import Form
from pydantic import BaseModel, ValidationError

from api.problems import ProblemError, unprocessable
from shared.times import Millis, iso, parse_time

Text = Annotated[str, Form()]
Model = TypeVar("Model", bound=BaseModel)


def instant_text(given: str, zone: str, now: Millis) -> str:
    """ISO 8601 UTC of what a form says in the site's zone; nothing = now."""
    return iso(parse_time(given, zone) if given.strip() else now)


def number(given: str, field: str) -> float | None:
    """A decimal comma is as good as a point; nothing = None."""
    text = given.strip().replace(",", ".")
    if not text:
        return None
    try:
        return float(text)
    except ValueError:
        raise unprocessable(field, f"{given.strip()!r} is not a number.") from None


def read(model: Callable[..., Model], **fields: object) -> Model:
    """``model`` from the fields of a form; ProblemError 422 in words when it cannot be."""
    try:
        return model(**fields)
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"]) or "form"
        why = str(first["msg"]).removeprefix("Value error, ")
        raise unprocessable(field, f"{field.replace('_', ' ').strip()}: {why}") from None


def was_done_before(error: ProblemError) -> bool:
    """Whether the same form was sent twice."""
    return any(fault.where == "header.Idempotency-Key" for fault in error.errors)
