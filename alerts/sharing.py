"""Several watches share the yards: each place belongs to a part, each part to the one watch that holds its lease.

The leases stand in one row of the registry. They are taken in a transaction, and every look commits together with a
check that its lease is still held; transactions of the registry go one by one, so a watch that was thought dead and
wakes up again commits nothing. A site and its piles are one part: whether a probe is silent or the whole site is one
question.
"""

from __future__ import annotations

import json
import logging
import secrets
import time
from collections.abc import Callable
from typing import Any, Final, Protocol
from zlib import crc32

from alerts.deadlines import Place
from shared.ports import NotFound, Registry, StorageError, StoreBusy

log = logging.getLogger(__name__)

ROW: Final = "watch.leases"
PARTS: Final = 32
LEASE_S: Final = 15.0


class Share(Protocol):
    """Which places are this watch's. ``turn`` grows whenever they become others."""

    turn: int

    def renew(self) -> None: ...
    def keep(self) -> None:
        """In the middle of long work: what is ours stays ours. StoreBusy when another has taken over."""

    def mine(self, place: Place) -> bool: ...
    def guard(self, tx: Registry) -> None:
        """Within a transaction: StoreBusy unless all of it is still ours."""

    def give_up(self) -> None: ...


class WholeShare:
    """The only watch there is."""

    turn = 0

    def renew(self) -> None:
        pass

    def keep(self) -> None:
        pass

    def mine(self, _place: Place) -> bool:
        return True

    def guard(self, tx: Registry) -> None:
        pass

    def give_up(self) -> None:
        pass


class LeasedShare:
    def __init__(
        self, registry: Registry, *, lease_s: float = LEASE_S, wall_s: Callable[[], float] = time.time
    ) -> None:
        self._registry, self._lease_s, self._wall_s = registry, lease_s, wall_s
        self._me = secrets.token_hex(6)
        self._parts: frozenset[str] = frozenset()
        self._sites: dict[str, str] = {}
        self._renew_at = self._others_until = 0.0
        self.turn = 0

    @property
    def parts(self) -> frozenset[str]:
        return self._parts

    def renew(self) -> None:
        """Every third of a lease, and when another's has run out: keep ours, take what is free, leave what is more than
        our share."""
        now = self._wall_s()
        if abs(now - self._renew_at) < self._lease_s / 3 and now < self._others_until:
            return
        with self._registry.begin() as tx:
            told = _told(tx)
            mine = _shared_out(told, self._me, now, self._lease_s)
            tx.memory.set(ROW, json.dumps(told, separators=(",", ":")))
        self._renew_at = now
        others = (row[1] for row in told["parts"].values() if row[0] != self._me)
        self._others_until = min(others, default=now + self._lease_s)
        if mine != self._parts:
            log.info("loop=watch event=share parts=%d of=%d", len(mine), PARTS)
            self._parts = mine
            self.turn += 1

    def keep(self) -> None:
        now = self._wall_s()
        if abs(now - self._renew_at) < self._lease_s / 3:
            return
        with self._registry.begin() as tx:
            self.guard(tx)
            told = _told(tx)
            told["members"][self._me] = now + self._lease_s
            told["parts"].update({part: [self._me, now + self._lease_s] for part in self._parts})
            tx.memory.set(ROW, json.dumps(told, separators=(",", ":")))
        self._renew_at = now

    def mine(self, place: Place) -> bool:
        return part_of(self._key(place)) in self._parts

    def guard(self, tx: Registry) -> None:
        held = _told(tx)["parts"]
        if any(held.get(part, ("",))[0] != self._me for part in self._parts):
            self._renew_at = 0.0
            raise StoreBusy("another watch has taken over; this one looks anew at what it still has")

    def give_up(self) -> None:
        """At the end: others need not wait for the lease to run out."""
        try:
            with self._registry.begin() as tx:
                told = _told(tx)
                told["members"].pop(self._me, None)
                told["parts"] = {part: row for part, row in told["parts"].items() if row[0] != self._me}
                tx.memory.set(ROW, json.dumps(told, separators=(",", ":")))
        except StorageError as error:
            log.info("loop=watch event=lease_runs_out_by_itself error=%s", error)
        self._parts = frozenset()
        self._renew_at = 0.0

    def _key(self, place: Place) -> str:
        if place.scope != "pile":
            return f"{place.scope}.{place.name}"
        if place.name not in self._sites:
            try:
                self._sites[place.name] = self._registry.piles.get(place.name).site
            except NotFound:
                self._sites[place.name] = ""
        return f"site.{self._sites[place.name]}"


def part_of(key: str) -> str:
    return str(crc32(key.encode()) % PARTS)


def _told(tx: Registry) -> dict[str, dict[str, Any]]:
    text = tx.memory.get(ROW)
    told: dict[str, dict[str, Any]] = json.loads(text) if text else {"members": {}, "parts": {}}
    return told


def _shared_out(told: dict[str, dict[str, Any]], me: str, now: float, lease_s: float) -> frozenset[str]:
    """Changes ``told``; gives the parts that are ``me``'s now. A lease far ahead of our clock is no lease."""
    live = {owner: until for owner, until in told["members"].items() if now < until <= now + 4 * lease_s} | {
        me: now + lease_s
    }
    parts = {
        part: row
        for part, row in told["parts"].items()
        if row[0] == me or (row[0] in live and now < row[1] <= now + 4 * lease_s)
    }
    fair = -(-PARTS // len(live))
    mine = sorted((part for part, row in parts.items() if row[0] == me), key=int)
    free = [str(number) for number in range(PARTS) if str(number) not in parts]
    for part in mine[fair:]:
        del parts[part]
    mine = [*mine[:fair], *free[: max(0, fair - len(mine))]]
    parts.update({part: [me, now + lease_s] for part in mine})
    told["members"], told["parts"] = live, parts
    return frozenset(mine)
