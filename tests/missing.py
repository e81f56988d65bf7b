"""A program that tests need and that is not here."""

from __future__ import annotations

import os
from typing import NoReturn

import pytest


def missing(package: str) -> NoReturn:
    """In CI a failure: `make test` has installed it there. At home a skip that says what to install, as not everyone may
    install system packages, and the other tests are worth running without."""
    words = f"{package} is not installed; on Debian: apt-get install {package}"
    if os.environ.get("CI"):
        pytest.fail(words)
    # not everyone may install system packages; in CI, where they are installed, it has failed above
    pytest.skip(words)
