"""What /openapi.json says beside the routes' own words: every error is a problem, every route may want a key."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from api.auth import SESSION_COOKIE
from api.auth_csrf import HEADER
from api.problems import MEDIA_TYPE, Problem

_API = "/api/v1/"
_ALWAYS = {
    "401": "No key, or one that is not known",
    "403": "The caller's role does not reach so far",
    "422": "Something in the request cannot be used",
    "429": "Too many wrong keys from this address",
    "503": "The store is busy or cannot do it now; nothing was saved",
}
_NOT_FOUND = "There is nothing of that id"
_CONFLICT = "Something that is there stands in the way"
_TOO_LARGE = "The body is too large"


def describe(app: FastAPI) -> None:
    """Make ``app.openapi`` give the whole description, made once."""

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = _whole(app)
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]  # FastAPI's documented way to extend it


def _whole(app: FastAPI) -> dict[str, Any]:
    schema = get_openapi(title=app.title, version=app.version, summary=app.summary, routes=app.routes)
    schemas = schema.setdefault("components", {}).setdefault("schemas", {})
    problem = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
    schemas.update(problem.pop("$defs", {}))
    schemas["Problem"] = problem
    for name in ("HTTPValidationError", "ValidationError"):
        schemas.pop(name, None)
    schema["components"].setdefault("securitySchemes", {})["session"] = {
        "type": "apiKey",
        "in": "cookie",
        "name": SESSION_COOKIE,
        "description": f"A browser's; whatever changes something needs the header {HEADER} too.",
    }
    for path, method, operation in _operations(schema):
        if "security" in operation:
            operation["security"].append({"session": []})
        answers = operation["responses"]
        answers.pop("422", None)
        if path.startswith(_API):
            answers.update(_problems(path, method, operation))
        answers["default"] = _problem("Any other error")
    return schema


def _problems(path: str, method: str, operation: dict[str, Any]) -> dict[str, Any]:
    texts = dict(_ALWAYS)
    if "{" in path:
        texts["404"] = _NOT_FOUND
    if method != "get":
        texts["409"] = _CONFLICT
    if "requestBody" in operation:
        texts["413"] = _TOO_LARGE
        texts["400"] = "The body cannot be read"
    return {status: _problem(text) for status, text in sorted(texts.items())}


def _problem(description: str) -> dict[str, Any]:
    return {
        "description": description,
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }


def _operations(schema: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, methods in schema["paths"].items():
        for method, operation in methods.items():
            yield path, method, operation
