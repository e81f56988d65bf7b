"""The suites are imported by test files, so pytest must be told to explain their assertions too."""

from __future__ import annotations

import pytest

for suite in (
    "readings_contract",
    "readings_kept",
    "readings_values",
    "registry_contract",
    "registry_facts",
    "registry_people",
    "registry_probes",
    "registry_told",
):
    pytest.register_assert_rewrite(f"tests.contracts.{suite}")
