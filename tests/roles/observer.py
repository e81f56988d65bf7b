"""What an onlooker sees of a region whose processes are killed: who holds which lease, whether any page answers."""

from __future__ import annotations

import json
import threading
import time
from dataclasses import dataclass, field
from typing import Any

import httpx

from alerts.sharing import ROW
from shared.ports import Registry, StorageError
from tests import loopback

EVERY_S = 0.2


@dataclass(frozen=True)
class Leases:
    at: float
    members: dict[str, float]
    parts: dict[str, list[Any]]


@dataclass
class Observer:
    """Looks every 0.2 s, in a thread of its own, between ``start`` and ``stop``. Instants are wall seconds."""

    registry: Registry
    pages: list[str]
    leases: list[Leases] = field(default_factory=list)
    asked: int = 0
    unanswered: int = 0

    def __post_init__(self) -> None:
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._look, name="observer", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(60)

    def _look(self) -> None:
        while not self._stop.wait(EVERY_S):
            try:
                told = json.loads(self.registry.memory.get(ROW) or "{}")
            except StorageError:
                continue
            if told:
                self.leases.append(Leases(time.time(), told["members"], told["parts"]))
            if self.pages:
                self.asked += 1
                self.unanswered += not any(_answers(page) for page in self.pages)

    def takeovers_s(self, killed_at: list[float]) -> list[float]:
        """For each kill of a watch that held something: how long until others held all of it."""
        found = []
        for killed in killed_at:
            dead = {
                owner
                for seen in self.leases
                if seen.at <= killed
                for owner in seen.members
                if self._last_renewal(owner) <= killed
            }
            before = [seen for seen in self.leases if seen.at <= killed]
            held = [row[0] for row in before[-1].parts.values()] if before else []
            if not dead.intersection(held):
                continue
            free = (
                seen.at
                for seen in self.leases
                if seen.at > killed and not dead.intersection(row[0] for row in seen.parts.values())
            )
            found.append(next(free, float("inf")) - killed)
        return found

    def _last_renewal(self, owner: str) -> float:
        """When its lease was last seen to have grown."""
        last, until = 0.0, 0.0
        for seen in self.leases:
            if seen.members.get(owner, until) > until:
                last, until = seen.at, seen.members[owner]
        return last


def _answers(page: str) -> bool:
    try:
        return loopback.get(f"{page}readyz", timeout=5).status_code == 200
    except httpx.HTTPError:
        return False
