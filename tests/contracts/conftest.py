"""The suites are imported by test files, so pytest must be told to explain their assertions too."""

from __future__ import annotations

import pytest

pytest.register_assert_rewrite(
    "tests.contracts.readings_contract",
    "tests.contracts.readings_values",
    "tests.contracts.registry_contract",
    "tests.contracts.registry_facts",
)
