"""What the writer keeps in bounds."""

from __future__ import annotations

import pytest

from ingest.batch import Batch
from ingest.upkeep import Upkeep
from ingest.writer import Writer
from shared.ports import Refused
from shared.settings import QuarantineBounds
from shared.times import Millis, SystemClock
from tests.ingest.conftest import Stores


def refused(count: int, size: int) -> Batch:
    now = Millis(SystemClock().now())
    topic = "turnbell/larkfield/K-01/readings"
    return Batch(refusals=[Refused(now, topic, "junk", b"x" * size) for _ in range(count)])


@pytest.mark.parametrize(
    ("bounds", "size", "most"),
    [
        (QuarantineBounds(keep_at_most=100), 10, 110 + 20),  # a tenth more, and a batch
        (QuarantineBounds(keep_megabytes=1), 60_000, (1 << 20) * 11 // 10 // 60_000 + 20),
    ],
)
def test_the_quarantine_stays_in_its_bounds_however_fast_it_fills(
    stores: Stores, bounds: QuarantineBounds, size: int, most: int
) -> None:
    writer = Writer(stores.readings, stores.registry, Upkeep(), SystemClock(), bounds)
    for _ in range(20):
        writer.commit(refused(20, size))
        assert len(stores.registry.quarantine.all(limit=1000)) <= most
    assert writer.quarantined == 400
