"""Headless Chromium from the system, with a fresh profile and nothing that phones home."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal

from playwright.sync_api import Browser, BrowserContext, Page, Request, sync_playwright

from tests.missing import missing

PHONE = (390, 844)
DESK = (1440, 900)
ARGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
Scheme = Literal["light", "dark"]


def chromium_path() -> str:
    return shutil.which("chromium") or shutil.which("chromium-browser") or missing("chromium")


@contextmanager
def chromium() -> Iterator[Browser]:
    path = chromium_path()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(ARGS))
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def visitor(
    browser: Browser,
    address: str,
    key: str | None,
    *,
    size: tuple[int, int] = PHONE,
    scheme: Scheme = "light",
    javascript: bool = True,
    fahrenheit: bool = False,
    touch: bool = False,
    scale: float = 1,
) -> Iterator[BrowserContext]:
    """A fresh profile that has signed in with ``key``."""
    context = browser.new_context(
        base_url=address,
        viewport={"width": size[0], "height": size[1]},
        color_scheme=scheme,
        java_script_enabled=javascript,
        has_touch=touch,
        device_scale_factor=scale,
        locale="en-GB",
        timezone_id="Asia/Tokyo",  # the pages must speak the site's zone, not the browser's
    )
    context.set_default_timeout(30_000)
    try:
        if key is not None:
            came_in = context.request.post("/enter", form={"key": key}, max_redirects=0)
            assert came_in.status == 303, came_in.text()
        if fahrenheit:
            context.add_cookies([{"name": "tb_units", "value": "fahrenheit", "url": address}])
        yield context
    finally:
        context.close()


class Complaints:
    """What the browser's console and the page's own errors say."""

    def __init__(self, page: Page) -> None:
        self.said: list[str] = []
        page.on(
            "console", lambda line: self.said.append(line.text) if line.type in {"error", "warning"} else None
        )
        page.on("pageerror", lambda error: self.said.append(str(error)))
        page.on("requestfailed", self._failed)

    def _failed(self, request: Request) -> None:
        if request.failure != "net::ERR_ABORTED":  # the visitor went on before it was there
            self.said.append(f"{request.url}: {request.failure}")
