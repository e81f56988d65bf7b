"""The web application: JSON under /api/v1, the pages, and what guards both."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from fastapi import APIRouter, FastAPI
from starlette.routing import BaseRoute
from starlette.staticfiles import StaticFiles

from api import health, pages, problems, v1
from api.auth_slowdown import Slowdown
from api.body_limit import BodyLimit
from api.headers import SecurityHeaders
from api.hosts import KnownHosts
from api.import_shelf import ImportShelf
from api.metrics import CountRequests, Metrics
from api.openapi import describe
from api.parts import Parts
from api.shared_work import SharedWork
from api.write_limit import WriteLimit
from shared.round import RoundRow

STATIC = Path(__file__).with_name("static")


def create_app(parts: Parts) -> FastAPI:
    """All of it around ``parts``.

    ``app.state`` holds what a request needs: ``parts``, ``slowdown``, ``metrics``, the work that callers share
    (``rounds``, ``reports``), and ``problem_page`` (request, Problem) -> Response, for errors that a browser meets.
    """
    app = FastAPI(
        title="Turnbell",
        summary="What the heat of each pile has done, and what it needs next.",
        version="1",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
    )
    app.state.parts = parts
    app.state.slowdown = Slowdown()
    app.state.metrics = Metrics(parts)
    app.state.rounds, app.state.reports = SharedWork[list[RoundRow]](), SharedWork[str]()
    app.state.imports = ImportShelf(parts)
    app.state.problem_page = pages.problem_page
    problems.install(app)
    app.router.routes.extend(_routes())
    app.mount("/static", StaticFiles(directory=STATIC, check_dir=False), name="static")
    describe(app)
    # the last one added is the first one a request meets
    app.add_middleware(BodyLimit)
    app.add_middleware(WriteLimit, a_minute=parts.settings.web.writes_a_minute)
    app.add_middleware(KnownHosts, settings=parts.settings)
    app.add_middleware(CountRequests, metrics=app.state.metrics)
    app.add_middleware(SecurityHeaders)
    return app


@cache
def _routes() -> tuple[BaseRoute, ...]:
    """The same for every application of a process: FastAPI works each out at its first request, a quarter of a second
    for all, and a run of the tests makes hundreds of applications."""
    house = APIRouter()
    for router in (health.router, *v1.ROUTERS, pages.router):
        house.include_router(router)
    return tuple(house.routes)
