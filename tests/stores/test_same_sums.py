"""A heat report is the same to the last digit whichever store keeps the readings."""

from __future__ import annotations

import random
from contextlib import closing
from pathlib import Path

import pytest

from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.piles import Pile, Placement, Site, Turn
from shared.ports import ReadingsStore, Registry
from shared.readings import Reading, SensorKey
from shared.stores import open_readings, open_registry
from shared.times import DAY, HOUR, MINUTE, Millis, Span
from tests.contracts.influx_stub import stub
from tests.contracts.lines import Settled
from tests.contracts.victoria import Victoria
from tests.stores.line_yard import BEGAN

NOW = Millis(BEGAN + 5 * DAY)
RULES = ("us-503-pfrp-windrow", "uk-pas100", "three-turns")


def yard(registry: Registry) -> None:
    with registry.begin() as tx:
        tx.sites.add(Site("larkfield", "Larkfield Yard", "Europe/Dublin"))
        tx.piles.add(Pile("k1", "larkfield", "K-01", BEGAN, rule_ids=RULES))
        for number, probe in enumerate(("P-01", "P-02")):
            tx.probes.place(Placement(f"s{number}", "larkfield", probe, "k1", Span(BEGAN), "middle"))
        tx.piles.add_turn(Turn("t1", "k1", Millis(BEGAN + 3 * DAY + 7 * HOUR), "logged", "confirmed"))


def history() -> list[list[Reading]]:
    """Five days of four sensors in °F turned to °C, with holes, repeats and late batches."""
    choose = random.Random(11)
    readings: list[Reading] = []
    for probe, depth in (("P-01", "15"), ("P-01", "45"), ("P-02", "45"), ("P-02", "90")):
        fahrenheit = 70.0
        for step in range(5 * 144):
            fahrenheit += choose.uniform(-1.2, 1.9 if fahrenheit < 150 else 0.5)
            if choose.random() > 0.05:
                at = Millis(BEGAN + step * 10 * MINUTE + choose.randrange(MINUTE))
                readings.append(
                    Reading(SensorKey("larkfield", probe, depth), at, (fahrenheit - 32) * 5 / 9, at)
                )
    readings.sort(key=lambda reading: reading.at)
    late = [reading for reading in readings if choose.random() < 0.1]
    prompt = [reading for reading in readings if reading not in late]
    batches = [prompt[start : start + 500] for start in range(0, len(prompt), 500)]
    return [*batches, late, batches[3]]


def report(store: ReadingsStore, folder: Path) -> str:
    with closing(open_registry(folder / "registry.db")) as registry:
        yard(registry)
        book = HeatBook(store, registry, Catalogue.load(None), 180 * MINUTE)
        for batch in history():
            store.append(batch)
            book.report("k1", NOW)  # so that the sums grow with the readings
        return book.report("k1", NOW).model_dump_json()


@pytest.fixture(scope="module")
def embedded(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("embedded")
    with closing(open_readings(folder / "readings.db")) as store:
        return report(store, folder)


def test_the_report_over_victoriametrics_is_that_of_the_embedded_store(
    victoria: Victoria, embedded: str, tmp_path: Path
) -> None:
    with closing(Settled(f"{victoria.fresh()} {tmp_path / 'spool.db'}")) as store:
        assert report(store, tmp_path) == embedded
    assert '"phase":"hot"' in embedded


def test_the_report_over_influxdb_is_that_of_the_embedded_store(embedded: str, tmp_path: Path) -> None:
    with (
        stub() as influx,
        closing(Settled(f"{influx.address} {tmp_path / 'spool.db'}", flush=False)) as store,
    ):
        assert report(store, tmp_path) == embedded
