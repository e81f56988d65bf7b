"""The page of routes and of figures for monitoring, read from the running program."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from api.app import create_app
from api.parts import LoopState
from deploy import assembly
from deploy.house import opened_house
from shared.settings import Settings

INTRO = (
    "JSON under `/api/v1`, with a bearer token (`turnbell token create`) or a session. The whole description, "
    "every field and answer, is served at `/openapi.json`. Errors are problem details (RFC 9457). Times are "
    "ISO 8601 in UTC. Lists come in pages: pass `next` of one answer as `cursor` of the next question. A heat "
    "report as [JSON Schema](heat_report.schema.json)."
)


def http() -> str:
    with (
        tempfile.TemporaryDirectory() as folder,
        opened_house(Path(folder), Settings(), create=True) as house,
    ):
        app = create_app(replace(assembly.parts(house, None), loops=lambda: {"watch": LoopState(True, 1.0)}))
        described: dict[str, Any] = app.openapi()
        figures, _ = app.state.metrics.exposition()
    lines = [f"| {method} | `{path}` | {word} |" for method, path, word in _routes(described)]
    return (
        "\n\n".join(
            [
                "# HTTP and figures for monitoring",
                "Written by `make reference` from the program; do not edit it by hand.",
                INTRO,
                "## Routes",
                "\n".join(["| method | path | what it does |", "| --- | --- | --- |", *lines]),
                "## Figures at `/metrics`",
                "In the Prometheus text format.",
                "\n".join(
                    ["| name | kind | what it says |", "| --- | --- | --- |", *_figures(figures.decode())]
                ),
            ]
        )
        + "\n"
    )


def _routes(described: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
    for path, ways in sorted(described["paths"].items()):
        for method, route in ways.items():
            words = str(route.get("description") or route.get("summary") or "").split("\n\n")[0]
            yield method.upper(), path, " ".join(words.split()).replace("|", "\\|")


def _figures(text: str) -> Iterator[str]:
    helps = dict(re.findall(r"^# HELP (\S+) (.*)$", text, re.MULTILINE))
    for name, kind in re.findall(r"^# TYPE (\S+) (\S+)$", text, re.MULTILINE):
        if not name.endswith("_created"):
            yield f"| `{name}` | {kind} | {helps.get(name, '')} |"
