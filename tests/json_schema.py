"""The validators of JSON Schema, imported when one is asked for: the library takes two seconds of processor, and every
worker of the tests imports every test."""

from __future__ import annotations

import importlib
from typing import Any, Literal

Draft = Literal["7", "202012"]


def validator(schema: object, draft: Draft = "202012") -> Any:
    return _kind(draft)(schema)


def formats(draft: Draft) -> Any:
    """The checks of ``format`` by name, as all validators of this draft share them."""
    return _kind(draft).FORMAT_CHECKER.checkers


def _kind(draft: Draft) -> Any:
    library: Any = importlib.import_module("jsonschema")  # it publishes no types
    return getattr(library, f"Draft{draft}Validator")
