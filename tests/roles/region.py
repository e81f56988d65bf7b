"""A region is killed and started at random while its probes publish: nothing may be lost or doubled.

``python -m tests.roles.region [SECONDS]`` plays it with 3 + 2 + 2 processes for minutes and prints what came of it.
"""

from __future__ import annotations

import os
import random
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from shared.ports import Registry
from shared.readings import SensorKey
from shared.stores import LineReadings, open_registry
from shared.times import Millis, Span
from tests.e2e.harness import until
from tests.roles.nursery import Nursery
from tests.roles.observer import Observer
from tests.roles.region_probes import Probes
from tests.roles.region_servers import PATIENCE_S, Region, region
from tests.roles.role import Role

HOT_C = 71.5  # cool_pile speaks at 70


def play(made: Region, seconds: float, kill: Sequence[str] = (), seed: int = 5) -> dict[str, Any]:
    """Publish for ``seconds`` while roles are killed and started again; then see what is there.

    ``kill`` names them, in this order, each once, however slow they are to come back; without it, all are killed once
    and then whom chance picks, one at a time. The piles grow hot half-way.
    """
    victims = _victims(list(made.roles), kill, seed)
    registry = open_registry(made.registry_url)
    observer = Observer(registry, [role.web for role in made.roles.values() if role.web])
    observer.start()
    probes = Probes(made)
    began = time.monotonic()
    every_s = min(10.0, seconds / (len(kill) + 2))
    next_kill, victim, hot_at = began + every_s / 2, next(victims), 0.0
    try:
        while time.monotonic() - began < seconds or (kill and victim):
            hot = time.monotonic() - began > seconds / 2
            probes.round(HOT_C if hot else 60.0)
            hot_at = hot_at or (time.time() if hot else 0.0)
            if (
                victim
                and time.monotonic() > next_kill
                and (kill or all(map(Role.is_up, made.roles.values())))
            ):
                made.roles[victim].kill()
                made.roles[victim].start()
                victim, next_kill = next(victims, ""), time.monotonic() + every_s
            time.sleep(0.05)
        probes.round(HOT_C)
        found = outcome(made, registry)
    finally:
        probes.close()
        observer.stop()
        registry.close()
    killed = {
        kind: [at for role in made.roles.values() if role.kind == kind for at in role.killed_at]
        for kind in ("api", "ingest", "watch")
    }
    return {
        "kills": {kind: len(at) for kind, at in killed.items()},
        **found,
        "hot_reading_to_notice_s": [round(at - hot_at, 1) for at in sorted(_first_told(made).values())],
        "watch_taken_over_after_s": [round(s, 1) for s in sorted(observer.takeovers_s(killed["watch"]))],
        "pages_asked": observer.asked,
        "pages_answered_by_none": observer.unanswered,
    }


def _victims(names: list[str], kill: Sequence[str], seed: int) -> Iterator[str]:
    choose = random.Random(seed)
    yield from kill or names
    while not kill:
        yield choose.choice(names)


def _first_told(made: Region) -> dict[str, float]:
    """Site -> when its hook was first posted to, wall seconds."""
    found: dict[str, float] = {}
    for post in made.hook.posts:
        if post.json["kind"] == "cool_pile":
            found.setdefault(post.json["site"], post.at)
    return found


def outcome(made: Region, registry: Registry) -> dict[str, int]:
    """Wait until all that was acknowledged is stored and every pile's notice is out; then count what is doubled."""
    store = made.readings()
    try:

        def all_stored() -> bool:
            return all(_stored(store, site) >= n for site, n in made.published.items())

        until(
            all_stored,
            PATIENCE_S,
            f"{made.published}; there are {[_stored(store, s) for s in made.published]}",
        )
        until(lambda: set(_first_told(made)) == set(made.published), PATIENCE_S, "a notice about every pile")
        firsts = Counter(
            (notice.pile_id, notice.kind, notice.reason, notice.channel_id)
            for notice in registry.notices.all(limit=1000)
            if notice.reason == "first" and notice.state != "withheld"
        )
        delivered = Counter(post.headers["Idempotency-Key"] for post in made.hook.posts)
        acknowledged, stored = sum(made.published.values()), {s: _stored(store, s) for s in made.published}
        return {
            "acknowledged": acknowledged,
            "lost": sum(max(0, n - stored[site]) for site, n in made.published.items()),
            "doubled": sum(max(0, stored[site] - n) for site, n in made.published.items()),
            "notices": sum(firsts.values()),
            "lost_notices": len(set(made.published) - set(_first_told(made))),
            "doubled_notices": sum(n - 1 for n in firsts.values()),
            "delivered_again_with_the_same_key": sum(n - 1 for n in delivered.values()),
        }
    finally:
        store.close()


def _stored(store: LineReadings, site: str) -> int:
    return len(store.read(SensorKey(site, "P-01", "45"), Span(Millis(0))))


def main(seconds: float) -> None:
    with Nursery() as nursery, region(nursery.start) as made:
        for kind, n in (("api", 2), ("ingest", 3), ("watch", 2)):
            for number in range(n):
                made.add(kind, number)
        made.wait_until_up()
        for name, value in play(made, seconds).items():
            print(f"{name:36} {value}")
        print(f"{'load_average':36} {os.getloadavg()[0]:.0f}")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 180.0)
