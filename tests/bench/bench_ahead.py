"""The outlook and the turn finder after one more message: cost a reading, beside the sums without them.

The first look of all takes in twenty-five days; what it costs is printed by itself."""

from __future__ import annotations

import json
import time

import numpy as np

from shared.heat.ahead import outlook_now
from shared.heat.engine import PileHeat
from shared.heat.facts import PileFacts
from shared.heat.found_turns import found_turns
from shared.pile_model.field import field_records
from shared.piles import Pile, Placement, Turn
from shared.readings import SensorKey
from shared.times import DAY, MINUTE, Millis, Span

BASE, MESSAGES, BEFORE_MS = Millis(20_000 * DAY), 144, 25 * DAY


def main() -> None:
    (made,) = field_records("caged", 1, 27, 5)
    facts = PileFacts(
        Pile("pile", "larkfield", "K-01", BASE),
        (Placement("stay", "larkfield", "P-01", "pile", Span(BASE), "middle"),),
        tuple(Turn(f"turn {at}", "pile", Millis(BASE + at)) for at, _ in made.turns),
    )
    heat = PileHeat(facts, 180 * MINUTE)
    rest: dict[int, list[tuple[SensorKey, float]]] = {}
    for depth, (at, celsius) in made.curves.items():
        key, old = SensorKey("larkfield", "P-01", f"{depth:g}"), at < BEFORE_MS
        heat.put(key, BASE + at[old], celsius[old])
        for when, value in zip(at[~old].tolist(), celsius[~old].tolist(), strict=True):
            rest.setdefault(when, []).append((key, value))
    begun = time.process_time()
    _look(heat, Millis(BASE + BEFORE_MS))
    first_s = time.process_time() - begun
    spent, sums, readings = 0.0, 0.0, 0
    for when in sorted(rest)[:MESSAGES]:
        begun = time.process_time()
        for key, value in rest[when]:
            heat.put(key, np.array([BASE + when]), np.array([value]))
        heat.refresh()
        heat.peak("hottest")
        fed = time.process_time()
        _look(heat, Millis(BASE + when))
        spent, sums, readings = (
            spent + time.process_time() - fed,
            sums + fed - begun,
            readings + len(rest[when]),
        )
    found = {
        "name": "outlook and found turns, a reading more on day 25, of the sums alone",
        "value": round(spent / readings * 1000, 3),
        "unit": "ms",
        "baseline": round(sums / readings * 1000, 3),
        "ratio": round(spent / sums, 2),
    }
    print(json.dumps(found))
    print(json.dumps({"name": "the first look, at 25 days", "value": round(first_s * 1000, 1), "unit": "ms"}))


def _look(heat: PileHeat, now: Millis) -> None:
    outlook_now(heat, found_turns(heat, now), now)


if __name__ == "__main__":
    main()
