"""What the registry learns of a probe from its messages."""

from __future__ import annotations

from ingest.topics import Origin
from ingest.upkeep import Upkeep
from shared.ports import Appended
from shared.probes import Probe
from shared.readings import Reading, SensorKey
from shared.times import MINUTE, Millis
from tests.ingest.conftest import Stores

ORIGIN, SENSOR = Origin("larkfield", "K-01"), SensorKey("larkfield", "K-01", "45")
BEGAN = 1_795_000_000_000


def hear(upkeep: Upkeep, stores: Stores, every_ms: int, since: int = BEGAN) -> Probe:
    """Twenty messages of one reading each."""
    for number in range(20):
        at = Millis(since + number * every_ms)
        upkeep.message(ORIGIN, [Reading(SENSOR, at, 60.0, at)], at, retained=False)
    upkeep.flush(stores.registry)
    known = stores.registry.probes.named(*ORIGIN)
    assert known is not None
    return known


def test_the_interval_is_learnt_and_stored_and_learnt_anew_when_it_changes(stores: Stores) -> None:
    upkeep = Upkeep()
    assert hear(upkeep, stores, 10 * MINUTE).interval_ms == 10 * MINUTE
    assert hear(upkeep, stores, 30 * MINUTE, BEGAN + 1_000 * MINUTE).interval_ms == 30 * MINUTE


def test_an_interval_that_a_person_set_is_not_learnt_over(stores: Stores) -> None:
    known = hear(Upkeep(), stores, 10 * MINUTE)
    stores.registry.probes.change(known.id, interval_ms=60 * MINUTE, interval_fixed=True)
    assert hear(Upkeep(), stores, 10 * MINUTE, BEGAN + 1_000 * MINUTE).interval_ms == 60 * MINUTE


def test_repeats_are_counted_but_not_those_that_the_broker_made(stores: Stores) -> None:
    upkeep = Upkeep()
    twice = Appended(0, repeats={ORIGIN: 2}, differing={ORIGIN: 1})
    upkeep.stored(twice, redelivered=set())
    upkeep.stored(twice, redelivered={ORIGIN})
    known = hear(upkeep, stores, 10 * MINUTE)
    assert (known.repeats, known.differing_repeats) == (2, 2)
