"""The steps of the ladder of running too hot, each with what it means and where it comes from."""

from __future__ import annotations

from dataclasses import dataclass

from shared.heat.report import RiskLevel
from shared.times import HOUR, MINUTE

ALARM_C = 82.0
CLEAR_BELOW_K = 2.0


@dataclass(frozen=True, slots=True)
class Step:
    level: RiskLevel
    at_least_c: float
    for_ms: int
    means: str
    source: str


STEPS: tuple[Step, ...] = (
    Step("watch", 65.0, 2 * HOUR, "too hot for many of the organisms that make compost; plan a turn", "Cornell, Compost Physics"),
    Step("high", 71.0, 1 * HOUR, "turn now and add water", "North Carolina DEQ on spontaneous combustion"),
    Step("danger", 76.7, 30 * MINUTE, "hotter than biology alone should hold; measure by hand, keep water near", "upper edge of the US organic band, 7 CFR 205.203"),
    Step("danger", ALARM_C, 0, "treat as a warning before fire (threshold from memory, unverified)", "from memory, unverified"),
)  # fmt: skip
STEP_THRESHOLDS_C = tuple(step.at_least_c - below for step in STEPS for below in (0.0, CLEAR_BELOW_K))
