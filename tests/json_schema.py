"""The validators of JSON Schema, imported when one is asked for: the library takes two seconds of processor, and every
worker of the tests imports every test."""

from __future__ import annotations

import importlib
from typing import Any, Literal


def validator(schema: object, draft: Literal["7", "202012"] = "202012") -> Any:
    library: Any = importlib.import_module("jsonschema")  # it publishes no types
    return getattr(library, f"Draft{draft}Validator")(schema)
