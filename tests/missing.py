"""A program that tests need and that is not here."""

from __future__ import annotations

import os
from typing import NoReturn

import pytest


def missing(package: str) -> NoReturn:
    """In CI a failure, for `make test` has installed it there; elsewhere a skip that says what to install."""
    words = f"{package} is not installed; on Debian: apt-get install {package}"
    if os.environ.get("CI"):
        pytest.fail(words)
    pytest.skip(words)  # not everyone may install system packages; the other tests are worth it
