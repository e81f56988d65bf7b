"""The accessibility rules of axe-core, run inside a page. From the Python package that carries them, else from npm."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

PACKAGE, FILE = "axe_playwright_python", "axe.min.js"


def axe_source(folder: Path) -> str:
    """The text of axe-core; ``folder`` takes what npm fetches."""
    spec = importlib.util.find_spec(PACKAGE)
    if spec is not None and spec.submodule_search_locations:
        return (Path(spec.submodule_search_locations[0]) / FILE).read_text("utf-8")
    npm = shutil.which("npm")
    if npm is None:
        if os.environ.get("CI"):
            pytest.fail(f"axe-core is missing: neither the Python package {PACKAGE} nor npm is here")
        pytest.skip(f"axe-core is missing: neither the Python package {PACKAGE} nor npm is here")
    subprocess.run(
        [
            npm,
            "install",
            "--prefix",
            str(folder),
            "--ignore-scripts",
            "--no-audit",
            "--no-fund",
            "axe-core@4",
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    return (folder / "node_modules" / "axe-core" / FILE).read_text("utf-8")


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
