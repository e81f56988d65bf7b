"""Server time and bytes of the round (40 and 400 piles) and of a pile with 180 days of six depths every 10 minutes.

``first`` is the very first answer of a cold book, which leaves out what is not read yet; ``in_the_background`` is how
long the loop that keeps the book warm takes for the rest. Each is compared, in the same run, with the sign-in page: the same server, engine and connection without any sums.
"""

from __future__ import annotations

import json
import statistics
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import httpx
import numpy as np

from api.pages.sparks import sparks_of
from shared.piles import Pile, Placement, Site
from shared.ports import ReadingsStore, Registry
from shared.readings import Reading, SensorKey
from shared.times import DAY, HOUR, MINUTE, Millis, Span
from shared.warm_loop import WarmLoop
from tests.pages.server import open_parts, serve
from tests.pages.yard import NOW

ROUNDS = 15
SITE = Site("larkfield", "Larkfield Yard", "Europe/Dublin")


def main() -> None:
    for count in (40, 400):
        _measure(
            f"round_{count}_piles",
            partial(yard_of, count=count),
            {"page": "/", "list": "/round/list"},
        )
    _measure(
        "pile_180_days",
        long_pile,
        {
            "page": "/piles/long",
            "picture": "/piles/long/curve.svg?w=1080",
            "curve": "/piles/long/curve.json?w=1080",
        },
    )


def _measure(name: str, furnish: Callable[[Registry, ReadingsStore], None], paths: dict[str, str]) -> None:
    with tempfile.TemporaryDirectory() as folder, open_parts(Path(folder), (), open_door=True) as parts:
        furnish(parts.registry, parts.readings)
        with serve(parts) as address, httpx.Client(base_url=address, timeout=120) as client:
            client.get("/enter").raise_for_status()
            plain = _median_ms(client, "/enter")
            cold = {what: _once(client, path)[0] for what, path in paths.items()}
            began = time.perf_counter()
            loop = WarmLoop(
                parts.registry,
                parts.book,
                parts.clock,
                beside_watch=False,
                then=sparks_of(parts.book).of_many,
            )
            while not loop.step(NOW):
                pass
            _tell(f"{name}_in_the_background", (time.perf_counter() - began) * 1000, "ms", plain)
            for what, path in paths.items():
                first, size = cold[what], _once(client, path)[1]
                again = _median_ms(client, path)
                _tell(f"{name}_{what}_first", first, "ms", plain)
                _tell(f"{name}_{what}", again, "ms", plain)
                _tell(f"{name}_{what}_bytes", size, "B gzipped", _once(client, "/enter")[1])


def _once(client: httpx.Client, path: str) -> tuple[float, int]:
    started = time.perf_counter()
    with client.stream("GET", path) as answer:
        answer.raise_for_status()
        size = sum(len(piece) for piece in answer.iter_raw())
    return (time.perf_counter() - started) * 1000, size


def _median_ms(client: httpx.Client, path: str) -> float:
    return statistics.median(_once(client, path)[0] for _ in range(ROUNDS))


def _tell(name: str, value: float, unit: str, baseline: float) -> None:
    print(
        json.dumps({
            "name": f"pages_{name}", "value": round(value, 2), "unit": unit, "baseline": round(baseline, 2),
            "ratio": round(value / baseline, 2),
        }),
        flush=True,
    )  # fmt: skip


def yard_of(registry: Registry, readings: ReadingsStore, count: int) -> None:
    registry.sites.add(SITE)
    for index in range(count):
        _pile(registry, readings, f"P-{index:03d}", 10 * DAY, HOUR // 2, ("15", "45", "75"), index)


def long_pile(registry: Registry, readings: ReadingsStore) -> None:
    registry.sites.add(SITE)
    depths = ("10", "25", "40", "55", "70", "85")
    _pile(registry, readings, "long", 180 * DAY, 10 * MINUTE, depths, 7, pile_id="long")


def _pile(
    registry: Registry,
    readings: ReadingsStore,
    peg: str,
    age_ms: int,
    step_ms: int,
    depths: tuple[str, ...],
    seed: int,
    pile_id: str | None = None,
) -> None:
    chance = np.random.default_rng(seed)
    built = Millis(NOW - age_ms)
    pile = pile_id or f"pile-{peg}"
    registry.piles.add(Pile(pile, SITE.slug, peg, built, rule_ids=("three-turns",)))
    registry.probes.heard(SITE.slug, f"lance-{peg}", NOW, {"battery_percent": 80.0})
    registry.probes.place(Placement(f"stay-{peg}", SITE.slug, f"lance-{peg}", pile, Span(built), "middle"))
    at = np.arange(built, NOW, step_ms)
    days = (at - built) / DAY
    for layer, depth in enumerate(depths):
        top = 68 - 3 * layer - days * 0.15
        celsius = top - (top - 12) * np.exp(-2 * (days % 9)) + chance.normal(0, 0.2, len(at))
        key = SensorKey(SITE.slug, f"lance-{peg}", depth)
        readings.append(
            [
                Reading(key, Millis(when), value, Millis(when))
                for when, value in zip(at.tolist(), np.round(celsius, 2).tolist(), strict=True)
            ]
        )


if __name__ == "__main__":
    main()
