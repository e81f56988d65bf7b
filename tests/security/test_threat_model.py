"""The threat model names a test for each promise, and each of them exists; so does a reason for each dependency."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "shared/help/security.md").read_text("utf-8")
PROMISES = re.findall(r"^\| (.+?) \| `(tests/[^`]+)` \|$", PAGE, re.MULTILINE)


def test_every_promise_names_its_test() -> None:
    part = PAGE.partition("## What is promised")[2].partition("## What is not promised")[0]
    rows = [line for line in part.splitlines() if line.startswith("| ")][1:]
    assert len(rows) == len(PROMISES) > 25


@pytest.mark.parametrize(("promise", "named"), PROMISES, ids=[named for _, named in PROMISES])
def test_the_test_that_holds_a_promise_is_there(promise: str, named: str) -> None:
    path, _, name = named.partition("::")
    tree = ast.parse((ROOT / path).read_text("utf-8"))
    found = {
        node.name
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    }
    assert found, path
    assert not name or name in found, promise


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = [
        *project["dependencies"],
        *(one for extra in project["optional-dependencies"].values() for one in extra),
    ]
    names = {re.split(r"[\[<>=!~; ]", one, maxsplit=1)[0] for one in wanted}
    told = (ROOT / "DEVELOPERS.md").read_text("utf-8").partition("## Dependencies")[2]
    reasons = dict(re.findall(r"^\| `([a-z0-9-]+)` \| (.{8,}) \|$", told, re.MULTILINE))
    assert set(reasons) == names
