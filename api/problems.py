"""Errors as RFC 9457 problem details; a browser that asks for a page gets the page instead."""

from __future__ import annotations

import logging
import re
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import cast
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from api.headers import nonce_of, security_headers
from shared.heat.catalogue import UnknownId
from shared.ports import Conflict, NotFound, StorageError, StoreBusy
from shared.times import TimeError

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"


class Fault(BaseModel):
    """One thing that is wrong in what was sent."""

    where: str = Field(description="body.peg, query.from, header.Idempotency-Key")
    detail: str


class Problem(BaseModel):
    """RFC 9457 problem details."""

    type: str = "about:blank"
    title: str
    status: int
    detail: str | None = None
    instance: str | None = None
    errors: list[Fault] | None = None


class ProblemError(Exception):
    """An answer other than the one that was asked for."""

    def __init__(
        self,
        status: int,
        detail: str,
        *,
        type_: str = "about:blank",
        errors: Sequence[Fault] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.status, self.detail, self.type = status, detail, type_
        self.errors, self.headers = list(errors), dict(headers or {})


def unprocessable(where: str, detail: str) -> ProblemError:
    """The request is well formed, but ``where`` in it cannot be used."""
    return ProblemError(422, detail, errors=[Fault(where=where, detail=detail)])


def wants_page(request: Request) -> bool:
    return not request.url.path.startswith("/api/") and "text/html" in request.headers.get("accept", "")


def answer(request: Request, error: ProblemError) -> Response:
    """The response for ``error``: a way in for a visitor without a key, a page for a browser, else JSON."""
    problem = Problem(
        type=error.type,
        title=_title(error.status),
        status=error.status,
        detail=error.detail,
        instance=request.url.path,
        errors=error.errors or None,
    )
    if wants_page(request):
        if error.status == HTTPStatus.UNAUTHORIZED and request.method in {"GET", "HEAD"}:
            onward = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            return RedirectResponse(f"/enter?next={quote(onward, safe='')}", 303)
        page = request.app.state.problem_page
        if page is not None:
            shown: Response = page(request, problem)
            shown.status_code = error.status
            shown.headers.update(error.headers)
            return shown
    return JSONResponse(
        problem.model_dump(mode="json", exclude_none=True),
        status_code=error.status,
        headers=error.headers,
        media_type=MEDIA_TYPE,
    )


def install(app: FastAPI) -> None:
    """Let every error of ``app`` leave as a problem."""
    app.add_exception_handler(ProblemError, _on_problem)
    app.add_exception_handler(HTTPException, _on_http)
    app.add_exception_handler(RequestValidationError, _on_invalid)
    app.add_exception_handler(StorageError, _on_storage)
    app.add_exception_handler(UnknownId, _on_unknown)
    app.add_exception_handler(TimeError, _on_time)
    app.add_exception_handler(Exception, _on_anything)


async def _on_problem(request: Request, error: Exception) -> Response:
    return answer(request, cast(ProblemError, error))


async def _on_http(request: Request, raised: Exception) -> Response:
    error = cast(HTTPException, raised)
    detail = str(error.detail)
    if error.status_code == HTTPStatus.NOT_FOUND:
        detail = f"There is nothing at {request.url.path}."
    elif error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        allowed = _methods_at(request)
        detail = f"{request.method} is not possible here" + (f"; use {allowed}." if allowed else ".")
        return answer(
            request, ProblemError(405, detail, headers={"Allow": allowed} if allowed else error.headers)
        )
    return answer(request, ProblemError(error.status_code, detail, headers=error.headers))


async def _on_invalid(request: Request, error: Exception) -> Response:
    found = cast(RequestValidationError, error).errors()
    if [one["loc"] for one in found] == [("body",)] and not _is_json(request) and await request.body():
        return answer(request, ProblemError(415, "Send JSON, with Content-Type: application/json."))
    faults = [_fault(one) for one in found]
    first = faults[0]
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    return answer(request, ProblemError(422, f"{first.where}: {first.detail}{more}", errors=faults))


async def _on_storage(request: Request, error: Exception) -> Response:
    if isinstance(error, NotFound):
        return answer(request, ProblemError(404, str(error)))
    if isinstance(error, Conflict):
        return answer(request, ProblemError(409, str(error)))
    log.warning("event=store_trouble path=%s error=%s", request.url.path, error)
    retry = {"Retry-After": "5"}
    if isinstance(error, StoreBusy):
        return answer(
            request, ProblemError(503, "The store is busy; nothing was saved. Try again.", headers=retry)
        )
    return answer(
        request, ProblemError(503, "The store cannot do this now; nothing was saved.", headers=retry)
    )


async def _on_unknown(request: Request, error: Exception) -> Response:
    return answer(request, ProblemError(404, str(error)))


async def _on_time(request: Request, error: Exception) -> Response:
    return answer(request, ProblemError(422, str(error)))


async def _on_anything(request: Request, error: Exception) -> Response:
    log.error("event=request_failed method=%s path=%s", request.method, request.url.path, exc_info=error)
    response = answer(request, ProblemError(500, "The fault is on our side and has been logged."))
    response.headers.update(security_headers(nonce_of(request.scope)))
    return response


def _methods_at(request: Request) -> str:
    """Every method that the description knows at this path; the framework names those of one route alone."""
    for template, methods in request.app.openapi()["paths"].items():
        pattern = re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(template))
        if re.fullmatch(pattern, request.url.path):
            return ", ".join(sorted(method.upper() for method in methods))
    return ""


def _is_json(request: Request) -> bool:
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    return kind == "application/json" or kind.endswith("+json")


def _fault(one: Mapping[str, object]) -> Fault:
    place = one.get("loc", ())
    parts = [str(part) for part in place] if isinstance(place, list | tuple) else [str(place)]
    text = str(one.get("msg", "cannot be used")).removeprefix("Value error, ")
    context = one.get("ctx")
    if one.get("type") == "json_invalid" and isinstance(context, dict):
        return Fault(where="body", detail=f"is not JSON: {context.get('error')} at character {parts[-1]}")
    return Fault(where=".".join(parts) or "body", detail=text)


def _title(status: int) -> str:
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return "Error"
