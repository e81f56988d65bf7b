"""A short walk of each file fuzzer; `python -m tests.security.fuzz_files` is the long one."""

from __future__ import annotations

import pytest

from tests.security.fuzz_files import TARGETS, fuzz


@pytest.mark.parametrize("name", list(TARGETS))
def test_whatever_the_bytes_are_it_is_told_in_words(name: str) -> None:
    fuzz(name, 60)
