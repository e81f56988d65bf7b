"""Adapters of the ports: what deploy opens."""

from shared.stores.line.address import Address, AddressError, parse_address
from shared.stores.line.forward import ForwardLoop
from shared.stores.line.store import LineReadings, open_line_readings
from shared.stores.readings_sqlite import open_readings
from shared.stores.registry.seal import WrongKey
from shared.stores.registry.store import open_registry

REGISTRY_FILE = "registry.db"
READINGS_FILE = "readings.db"
SPOOL_FILE = "spool.db"

__all__ = [
    "READINGS_FILE",
    "REGISTRY_FILE",
    "SPOOL_FILE",
    "Address",
    "AddressError",
    "ForwardLoop",
    "LineReadings",
    "WrongKey",
    "open_line_readings",
    "open_readings",
    "open_registry",
    "parse_address",
]
