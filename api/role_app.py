"""What a process without pages shows of itself: /healthz, /readyz and /metrics."""

from __future__ import annotations

from fastapi import FastAPI

from api import health, problems
from api.headers import SecurityHeaders
from api.hosts import KnownHosts
from api.metrics import Metrics
from api.parts import Parts


def create_role_app(parts: Parts) -> FastAPI:
    app = FastAPI(title="Turnbell", docs_url=None, redoc_url=None, openapi_url=None, redirect_slashes=False)
    app.state.parts = parts
    app.state.metrics = Metrics(parts)
    app.state.problem_page = None
    problems.install(app)
    app.include_router(health.router)
    app.add_middleware(KnownHosts, settings=parts.settings)
    app.add_middleware(SecurityHeaders)
    return app
