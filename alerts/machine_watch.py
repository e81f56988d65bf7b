"""Watches the machine's own parts. It reads heartbeats by whether they change, so no clock has to agree with another."""

from __future__ import annotations

import time
from collections.abc import Callable

from alerts.snapshot import ServiceState
from shared.loops import BEATS
from shared.ports import Registry
from shared.times import DAY, Millis

TAKEN_AWAY_MS = 30 * DAY
"""Whoever has not started a role for so long has taken it away: its trouble ends. `turnbell check` says how to end it
sooner."""


def _taken_away(beat: str, at: Millis) -> bool:
    return beat.isdigit() and at - int(beat) > TAKEN_AWAY_MS


class MachineWatch:
    def __init__(self, own_name: str, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._own_name, self._monotonic = own_name, monotonic
        self._beats: dict[str, tuple[str, float]] = {}
        self._heard: set[str] = set()
        self._failing_since: float | None = None
        self._error = ""

    def store_failed(self, error: Exception) -> bool:
        """Note it; True the first time."""
        first = self._failing_since is None
        if first:
            self._failing_since = self._monotonic()
        self._error = str(error)
        return first

    def store_works(self) -> bool:
        """Note it; True when it had failed before."""
        back = self._failing_since is not None
        self._failing_since, self._error = None, ""
        return back

    def state(self, registry: Registry, at: Millis) -> ServiceState:
        """``at``: the time of the beats' own clock."""
        now = self._monotonic()
        for name, value in registry.memory.names(BEATS).items():
            loop = name.removeprefix(BEATS)
            before = self._beats.get(loop)
            if before is None or value != before[0]:
                self._beats[loop] = (value, now)
            if before is not None and value != before[0]:
                self._heard.add(loop)
        return ServiceState(
            quiet_loops={
                loop: now - since
                for loop, (value, since) in self._beats.items()
                if value and loop != self._own_name and not _taken_away(value, at)
            },
            heard_loops=frozenset(self._heard),
            store_failing_s=None if self._failing_since is None else now - self._failing_since,
            store_error=self._error,
            channels=tuple(registry.people.channels()),
        )
