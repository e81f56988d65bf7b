"""The short form of ``python -m tests.e2e.ingest_faults``."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.e2e.ingest_faults import FAULTS, run
from tests.e2e.ingest_fuzz import fuzz
from tests.e2e.ingest_yard import Outcome


@pytest.mark.mosquitto
@pytest.mark.usefixtures("mosquitto")
@pytest.mark.parametrize(("fault", "times"), [(fault, short) for fault, short, _ in FAULTS if short])
def test_no_fault_loses_or_doubles_a_reading(
    fault: Callable[[Path, int, random.Random], Outcome], times: int
) -> None:
    outcome = run(fault, times)
    assert outcome.clean, outcome
    assert outcome.sent > 0
    assert outcome.peak_mb < 300


def test_two_thousand_fuzzed_payloads_are_each_kept_or_quarantined() -> None:
    outcome = fuzz(2_000)
    assert outcome.clean, outcome
    assert outcome.sent >= 2_000
