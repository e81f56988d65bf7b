from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.heat_book import HeatBook
from shared.piles import Pile, Placement, Site
from shared.stores import open_readings, open_registry
from shared.times import Span
from tests.heat.book_yard import BUILT, CATALOGUE, GAP, Yard


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    readings, registry = open_readings(tmp_path / "readings.db"), open_registry(tmp_path / "registry.db")
    registry.sites.add(Site("larkfield", "Larkfield Yard", "Europe/Dublin"))
    registry.piles.add(Pile("pile-1", "larkfield", "K-01", BUILT, rule_ids=("us-503-pfrp-windrow",)))
    registry.piles.add(Pile("pile-2", "larkfield", "K-02", BUILT))
    registry.probes.heard("larkfield", "P-01", BUILT, {})
    registry.probes.place(Placement("stay-1", "larkfield", "P-01", "pile-1", Span(BUILT), "middle"))
    yield Yard(readings, registry, HeatBook(readings, registry, CATALOGUE, GAP))
    readings.close()
    registry.close()
