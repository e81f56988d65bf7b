"""`make screenshots`: the pictures of the README, from the invented yard of the pages' tests."""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.pages.browser import DESK, PHONE, Scheme, chromium, visitor
from tests.pages.server import yard
from tests.pages.yard import LARKFIELD

SHOTS: tuple[tuple[str, str, tuple[int, int], Scheme], ...] = (
    ("round-phone", "/", PHONE, "light"),
    ("round-phone-night", "/", PHONE, "dark"),
    ("round-desktop", "/", DESK, "light"),
    ("pile-desktop", "/piles/pile-K-02", (1440, 1300), "light"),
    ("pile-phone", "/piles/pile-K-02", PHONE, "light"),
    ("batch-desktop", "/batches/pile-K-07", DESK, "light"),
    ("depth-desktop", "/piles/pile-K-08/figures", DESK, "light"),
)


def take(folder: Path) -> list[Path]:
    """Write every picture into ``folder``."""
    taken = []
    with (
        tempfile.TemporaryDirectory() as data,
        yard(Path(data), LARKFIELD) as found,
        chromium() as browser,
    ):
        for name, path, size, scheme in SHOTS:
            with visitor(browser, found.address, found.key, size=size, scheme=scheme, scale=2) as context:
                page = context.new_page()
                page.goto(path)
                curve = page.locator("[data-curve]")
                if curve.count() and not name.startswith("pile-phone"):
                    curve.scroll_into_view_if_needed()
                    page.wait_for_selector("[data-alive=yes]")
                    page.evaluate("scrollTo(0, 0)")  # the head of the page belongs to the picture
                    if name.startswith("pile-desktop"):
                        box = page.locator(".stage").bounding_box()
                        if box is not None:
                            page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + box["height"] / 2)
                page.wait_for_load_state("networkidle")
                file = folder / f"{name}.png"
                page.screenshot(path=file)
                taken.append(file)
    return taken


if __name__ == "__main__":
    for written in take(Path(__file__).parent):
        print(written)
