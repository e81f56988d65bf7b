"""The bill of materials is whole, and is what the standard calls one."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from tests.json_schema import formats

ROOT = Path(__file__).parents[2]


def test_the_bill_of_materials_names_everything_that_is_locked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the published schema of CycloneDX, which the library brings along; once, not a second time by the command."""
    # here, for they take two seconds, and every worker of the tests imports every test
    from cyclonedx.schema import SchemaVersion
    from cyclonedx.validation.json import JsonStrictValidator

    # the grammar of addresses takes six seconds for those that are looked at below
    monkeypatch.delitem(formats("7"), "iri-reference")

    recipe = (ROOT / "Makefile").read_text("utf-8")
    (line,) = re.findall(r"^\t\$\(BIN\)/cyclonedx-py (.+) -o build/sbom\.json$", recipe, re.MULTILINE)
    file = tmp_path / "sbom.json"
    command = [Path(sys.executable).parent / "cyclonedx-py", *line.split(), "--no-validate", "-o", file]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True, timeout=300)
    text = file.read_text("utf-8")
    told = json.loads(text)
    assert JsonStrictValidator(SchemaVersion.from_version(told["specVersion"])).validate_str(text) is None
    addresses = [urlsplit(one) for one in re.findall(r'"url": "([^"]*)"', text)]
    assert addresses
    assert all(one.scheme == "https" and one.hostname for one in addresses)
    assert told["metadata"]["component"]["name"] == "turnbell"
    locked = re.findall(r"^([a-z0-9._-]+)==", (ROOT / "requirements.lock").read_text("utf-8"), re.MULTILINE)
    assert {one["name"] for one in told["components"]} == set(locked)
    assert len(locked) > 100
