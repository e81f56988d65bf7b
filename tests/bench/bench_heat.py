"""The sums: a whole report against pandas, one more message on day 180 against day 1, and the memory that a pile takes.

180 days, six sensors, a reading every ten minutes. The pandas reference resamples to ten seconds and gives only hours and
longest spells over each threshold for every sensor, the hottest and the coldest; our figure is the whole report, rules
included. Times are of the processor, so that other work on the machine does not change the ratios much.
"""

from __future__ import annotations

import json
import statistics
import time
import tracemalloc
from collections.abc import Callable
from typing import TypeVar

import numpy as np
import pandas as pd

from shared.heat.catalogue import Catalogue
from shared.heat.compose import heat_report, report_of
from shared.heat.engine import PileHeat
from shared.heat.facts import PileFacts
from shared.heat.report import THRESHOLDS_C, HeatReport
from shared.piles import Pile, Placement, Turn
from shared.readings import Curve, SensorKey
from shared.times import DAY, MINUTE, Millis, Span

Found = TypeVar("Found")

BUILT = Millis(1_767_225_600_000)
STEP, GAP = 10 * MINUTE, 180 * MINUTE
DEPTHS = (10, 25, 40, 55, 70, 85)
TURNS_D = (4, 8, 13, 20, 30)
MESSAGES = 144
CATALOGUE = Catalogue.load()
RULES = [CATALOGUE.rules[id_] for id_ in ("us-503-pfrp-windrow", "de-bioabfv-2012")]


def pile(turns_d: tuple[int, ...]) -> PileFacts:
    return PileFacts(
        Pile("pile", "larkfield", "K-01", BUILT),
        (Placement("stay", "larkfield", "P-01", "pile", Span(BUILT), "middle"),),
        tuple(Turn(f"turn-{day}", "pile", Millis(BUILT + day * DAY)) for day in turns_d),
    )


def record(days: int, turns_d: tuple[int, ...] = ()) -> dict[SensorKey, Curve]:
    rng = np.random.default_rng(20261125)
    at = np.arange(days * DAY // STEP + 1, dtype=np.int64) * STEP
    age = at / DAY
    slow = 20 + 45 * (1 - np.exp(-age / 0.7)) * np.exp(-age / 60)
    for day in turns_d:
        slow = slow - np.where(age > day, 18 * np.exp(-(age - day) / 0.8), 0)
    found = {}
    for place, depth in enumerate(DEPTHS):
        celsius = np.round((slow + 1.2 * place - 3 + rng.normal(0, 0.1, len(at))) * 16) / 16
        key = SensorKey("larkfield", "P-01", str(depth))
        found[key] = Curve(BUILT + at, celsius, np.zeros(len(at), dtype=np.uint8))
    return found


def reference(curves: dict[SensorKey, Curve]) -> dict[str, tuple[float, float]]:
    """Hours and longest spell over each threshold, by "<depth|hottest|coldest> <threshold>"."""
    table = pd.DataFrame(
        {
            key.depth: pd.Series(held.value, index=pd.to_datetime(held.at, unit="ms", utc=True))
            for key, held in curves.items()
        }
    )
    fine = table.resample("10s").interpolate("time", limit=1080)
    found = {}
    for threshold_c in THRESHOLDS_C:
        over = fine >= threshold_c
        over["hottest"], over["coldest"] = over.any(axis=1), over.all(axis=1)
        for name, holds in over.items():
            run = holds.ne(holds.shift()).cumsum()[holds]
            longest = run.value_counts().max() if len(run) else 0
            found[f"{name} {threshold_c}"] = (holds.sum() / 360, longest / 360)
    return found


def full_report() -> None:
    curves, facts = record(180, TURNS_D), pile(TURNS_D)
    now = Millis(BUILT + 180 * DAY)
    ours, report = timed(lambda: heat_report(facts, curves, now, CATALOGUE.default_guide, RULES, GAP), 5)
    theirs, wanted = timed(lambda: reference(curves), 1)
    check(report, wanted)
    say("heat full report, 180 d x 6 sensors, against pandas at 10 s", ours, "s", theirs, theirs / ours)


def check(report: HeatReport, wanted: dict[str, tuple[float, float]]) -> None:
    """The reference joins lines across turns (a step of ten minutes each) and is good to ten seconds a crossing."""
    for threshold_c in (40, 50, 60):
        for name, found in (("hottest", report.hottest), ("coldest", report.coldest)):
            hours = found.hours_above[str(threshold_c)]
            if hours is None or abs(hours - wanted[f"{name} {threshold_c}"][0]) > 1.5:
                raise SystemExit(f"{name} {threshold_c}: {hours} h against {wanted[f'{name} {threshold_c}']}")


def one_more_message(late: bool) -> None:
    """Both piles take turns, so that whatever else the machine does falls on both."""
    piles = {days: (PileHeat(pile(()), GAP, record(days)), Millis(BUILT + days * DAY)) for days in (1, 180)}
    costs: dict[int, list[float]] = {days: [] for days in piles}
    for number in range(MESSAGES):
        for days, (heat, now) in piles.items():
            costs[days].append(message_cost(heat, now, number, late=late))
    young, old = (statistics.median(costs[days][5:]) for days in piles)
    kind = "late" if late else "new"
    say(f"heat one more {kind} message and a report, day 180 against day 1", old, "ms", young, old / young)


def message_cost(heat: PileHeat, now: Millis, number: int, *, late: bool) -> float:
    """Milliseconds for six readings and the whole report after them."""
    at = BUILT + DAY // 2 + (number + 1) * MINUTE if late else now + number * STEP
    begun = time.process_time()
    for place, depth in enumerate(DEPTHS):
        key = SensorKey("larkfield", "P-01", str(depth))
        heat.put(key, np.array([at]), np.array([62.0 + place + (number % 7) / 16]))
    report_of(heat, now if late else Millis(at), CATALOGUE.default_guide, RULES)
    return 1000 * (time.process_time() - begun)


def memory() -> None:
    curves = record(180)
    raw = sum(held.at.nbytes + held.value.nbytes + held.mark.nbytes for held in curves.values())
    tracemalloc.start()
    heat = PileHeat(pile(()), GAP, curves)
    report_of(heat, Millis(BUILT + 180 * DAY), CATALOGUE.default_guide, RULES)
    held = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    say(
        "heat memory of a pile of 180 d x 6 sensors against its bare readings",
        held / 1e6,
        "MB",
        raw / 1e6,
        held / raw,
    )


def timed(work: Callable[[], Found], times: int) -> tuple[float, Found]:
    best, got = float("inf"), work()
    for _ in range(times):
        begun = time.process_time()
        got = work()
        best = min(best, time.process_time() - begun)
    return best, got


def say(name: str, value: float, unit: str, baseline: float, ratio: float) -> None:
    figures = {
        "value": round(value, 4),
        "unit": unit,
        "baseline": round(baseline, 4),
        "ratio": round(ratio, 3),
    }
    print(json.dumps({"name": name} | figures), flush=True)


def main() -> None:
    full_report()
    one_more_message(late=False)
    one_more_message(late=True)
    memory()


if __name__ == "__main__":
    main()
