"""The accessibility rules of axe-core, run inside a page."""

from __future__ import annotations

from importlib import resources
from typing import Any

from playwright.sync_api import Page

from tests.pages.browser import DESK, PHONE, Scheme

EVERYTHING, CONTRAST = "", ", runOnly: {type: 'rule', values: ['color-contrast']}"


def axe_source() -> str:
    """The text of axe-core, as the locked Python package carries it."""
    return (resources.files("axe_playwright_python") / "axe.min.js").read_text("utf-8")


def faults_small_by_day_large_by_night(page: Page, source: str) -> list[str]:
    """What is wrong with the page that is open on a phone by day, a line each: what axe calls serious or critical; in the
    other size and the other light again what depends on them: its width, and its contrasts."""
    faults = []
    page.evaluate(source)
    looks: tuple[tuple[tuple[int, int], Scheme, str], ...] = (
        (DESK, "dark", CONTRAST),
        (PHONE, "light", EVERYTHING),
    )
    for (width, height), scheme, how in looks:
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": width, "height": height})
        too_wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        faults += [f"{too_wide} px too wide at {width}"] * (too_wide > 0)
        faults += [f"{scheme} at {width}: {violation}" for violation in _serious(page, how)]
    return faults


def _serious(page: Page, how: str) -> list[str]:
    found: dict[str, Any] = page.evaluate(f"axe.run(document, {{resultTypes: ['violations'] {how}}})")
    return [
        f"{one['id']}: {node['html'][:120]} {node.get('failureSummary', '')[:200]}"
        for one in found["violations"]
        if one["impact"] in {"serious", "critical"}
        for node in one["nodes"]
    ]
