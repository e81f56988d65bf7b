"""What another process does with a store, so that two can meet.

Each work prints ``ready`` once the store is open, waits for a line on standard input, works, and prints its result.
"""

from __future__ import annotations

import json
import sys

from shared.ports import StoreBusy
from shared.readings import Reading, SensorKey
from shared.times import Millis
from tests.contracts.adapters import readings_at, registry_at

BATCH = 50


def batch(number: int) -> list[Reading]:
    """Batch ``number`` of a made-up probe: instants nobody else uses, values that follow from them."""
    sensor = SensorKey("larkfield", "K-probe", "45")
    first = number * BATCH
    return [
        Reading(sensor, Millis(at * 1000), 40.0 + at % 30, Millis(at * 1000))
        for at in range(first, first + BATCH)
    ]


def _go() -> None:
    print("ready", flush=True)
    sys.stdin.readline()


def append_all(address: str, first: int, last: int) -> None:
    """Appends batches first..last-1 and prints how many readings were new and how many repeats."""
    store = readings_at(address)
    _go()
    stored = repeats = 0
    for number in range(first, last):
        appended = store.append(batch(number))
        stored += appended.stored
        repeats += sum(appended.repeats.values())
    print(json.dumps([stored, repeats]), flush=True)
    store.close()


def append_on(address: str) -> None:
    """Appends until it is killed; prints the number of every batch that the store acknowledged."""
    store = readings_at(address)
    _go()
    number = 0
    while True:
        store.append(batch(number))
        print(number, flush=True)
        number += 1


def claim_all(address: str, now: int, lease_ms: int) -> None:
    """Claims three at a time until nothing is due; prints the ids it got."""
    registry = registry_at(address)
    _go()
    mine: list[str] = []
    while claimed := registry.notices.claim(Millis(now), lease_ms, 3):
        mine += [notice.id for notice in claimed]
    print(json.dumps(mine), flush=True)
    registry.close()


def count_up(address: str, times: int) -> None:
    """Reads a number and writes it back plus one, ``times`` times, each in a transaction."""
    registry = registry_at(address)
    _go()
    done = 0
    while done < times:
        try:
            with registry.begin() as tx:
                tx.memory.set("number", str(int(tx.memory.get("number") or "0") + 1))
        except StoreBusy:
            continue
        done += 1
    print(json.dumps(done), flush=True)
    registry.close()
