"""Whether the service is well (/healthz), can answer (/readyz), and its figures (/metrics)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel

from api.parts import Parts, PartsHere
from shared.ports import StorageError

router = APIRouter(tags=["service"])


class LoopHealth(BaseModel):
    alive: bool
    last_beat_s: float | None
    error: str


class Health(BaseModel):
    """``failing`` names the loops that do not run."""

    status: Literal["ok", "failing"]
    failing: list[str]
    loops: dict[str, LoopHealth]


class Readiness(BaseModel):
    status: Literal["ready", "not_ready"]
    registry: str
    readings: str


@router.get("/healthz", response_model=Health, responses={503: {"model": Health}})
def healthz(parts: PartsHere) -> Response:
    """200 once every loop runs, else 503 and which does not."""
    found = health(parts)
    return JSONResponse(found.model_dump(), status_code=200 if found.status == "ok" else 503)


@router.get("/readyz", response_model=Readiness, responses={503: {"model": Readiness}})
def readyz(parts: PartsHere) -> Response:
    """200 while both stores would take a write."""
    states = {"registry": _ping(parts.registry.ping), "readings": _ping(parts.readings.ping)}
    ready = all(state == "ok" for state in states.values())
    found = Readiness(status="ready" if ready else "not_ready", **states)
    return JSONResponse(found.model_dump(), status_code=200 if ready else 503)


@router.get("/metrics", response_class=Response, responses={200: {"content": {"text/plain": {}}}})
def metrics(request: Request) -> Response:
    """Prometheus text."""
    body, media_type = request.app.state.metrics.exposition()
    return Response(body, media_type=media_type)


def health(parts: Parts) -> Health:
    states = parts.loops()
    loops = {
        name: LoopHealth(alive=state.alive, last_beat_s=state.last_beat_s, error=state.error)
        for name, state in states.items()
    }
    failing = [name for name, loop in loops.items() if not loop.alive]
    return Health(status="failing" if failing else "ok", failing=failing, loops=loops)


def _ping(ping: Callable[[], None]) -> str:
    try:
        ping()
    except StorageError as error:
        return str(error)
    return "ok"
