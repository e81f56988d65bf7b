"""How each adapter is opened, by an address that another process can use as well.

A new adapter is one more line in ``READINGS`` or ``REGISTRIES`` and one more test class.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from shared.ports import ReadingsStore, Registry
from shared.stores import open_readings, open_registry
from tests.contracts.lines import Forwarded, Settled, open_lines

READINGS: dict[str, Callable[[str], ReadingsStore]] = {
    "sqlite": lambda where: open_readings(Path(where)),
    "line": open_lines,  # nothing leaves the spool
    "line-forwarded": Forwarded,
    "line-settled": Settled,
    "line-settled-without-flush": partial(Settled, flush=False),
}
REGISTRIES = {"sqlite": open_registry, "postgresql": open_registry}


def readings_at(address: str) -> ReadingsStore:
    kind, _, where = address.partition("=")
    return READINGS[kind](where)


def registry_at(address: str) -> Registry:
    kind, _, where = address.partition("=")
    return REGISTRIES[kind](where)
