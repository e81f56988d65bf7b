"""In which pile a probe stood when its reading was taken, for the tag that an outside store keeps beside it."""

from __future__ import annotations

import time
from collections import defaultdict

from shared.piles import Placement
from shared.ports import Registry
from shared.readings import SensorKey

LOOK_EVERY_S = 2.0


class PilesByProbe:
    """A tag for dashboards: the sums never read it, they go through the placements as they are now."""

    def __init__(self, registry: Registry) -> None:
        self._registry = registry
        self._version: int | None = None
        self._looked = 0.0
        self._stays: dict[tuple[str, str], list[Placement]] = {}

    def pile_of(self, sensor: SensorKey, at: int) -> str | None:
        """StorageError when the registry does not answer."""
        self._renew()
        for stay in self._stays.get((sensor.site, sensor.probe), ()):
            if at in stay.span:
                return stay.pile_id
        return None

    def _renew(self) -> None:
        now = time.monotonic()
        if self._version is not None and now - self._looked < LOOK_EVERY_S:
            return
        version = self._registry.version()
        if version != self._version:
            stays: dict[tuple[str, str], list[Placement]] = defaultdict(list)
            for placement in self._registry.probes.placements():
                stays[placement.site, placement.probe].append(placement)
            self._version, self._stays = version, stays
        self._looked = now
