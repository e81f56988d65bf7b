"""The accessibility rules of axe-core, run inside a page."""

from __future__ import annotations

from importlib import resources
from typing import Any

from playwright.sync_api import Page


def axe_source() -> str:
    """The text of axe-core, as the locked Python package carries it."""
    return (resources.files("axe_playwright_python") / "axe.min.js").read_text("utf-8")


def serious_violations(page: Page, source: str) -> list[str]:
    """What axe calls serious or critical, one line each."""
    page.evaluate(source)
    found: dict[str, Any] = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{one['id']}: {node['html'][:120]} {node.get('failureSummary', '')[:200]}"
        for one in found["violations"]
        if one["impact"] in {"serious", "critical"}
        for node in one["nodes"]
    ]
