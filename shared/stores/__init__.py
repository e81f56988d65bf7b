"""Adapters of the ports: what deploy opens."""

from shared.stores.readings_sqlite import open_readings
from shared.stores.registry.store import open_registry

REGISTRY_FILE = "registry.db"
READINGS_FILE = "readings.db"

__all__ = ["READINGS_FILE", "REGISTRY_FILE", "open_readings", "open_registry"]
