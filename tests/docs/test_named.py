"""What the documents name is there: files, modules, tests; and no block of code escapes the tests of its language."""

from __future__ import annotations

import importlib.util
import re

import pytest

from tests.docs.blocks import FILES, ROOT, code, spans

TRIED = {"sh", "toml", "json", "mqtt", "python"}  # test_guides, test_recipes, test_build_a_probe
FOLDERS = ("ingest/", "api/", "alerts/", "deploy/", "tests/", "shared/")


@pytest.mark.parametrize("name", [name for name in FILES if not name.startswith("reference_")])
def test_every_block_of_code_has_a_language_that_is_tried(name: str) -> None:
    assert [
        f"{name}:{line} {language or 'no language'}"
        for line, language in code(FILES[name])
        if language not in TRIED
    ] == []


@pytest.mark.parametrize("name", list(FILES))
def test_every_file_and_module_that_is_named_is_there(name: str) -> None:
    missing = []
    for span in spans(FILES[name]):
        module = re.search(r"python -m (tests[\w.]*)", span)
        if module and importlib.util.find_spec(module[1]) is None:
            missing.append(span)
        path, _, test = span.partition("::")
        if path.startswith(FOLDERS) and not re.search(r"[<* ]", path):
            there = ROOT / path
            if not there.exists() or (test and f"def {test}(" not in there.read_text("utf-8")):
                missing.append(span)
    assert missing == []
