"""What each figure of a report means, in sentences enough to work it out again; values come from the code itself."""

from __future__ import annotations

from shared.heat.guide import Guide
from shared.heat.phase import COOL_MS, HOT_C, NEAR_AIR_K, NEAR_AIR_MS, REHEAT_MS
from shared.heat.risk import CLEAR_AFTER_MS, COOLED_AFTER_MS, COOLED_BELOW_C, LONG_HOT_C, LONG_HOT_MS
from shared.heat.risk_steps import CLEAR_BELOW_K, STEPS
from shared.times import DAY, HOUR, MINUTE
from shared.units import Units, fahrenheit


def definitions(max_gap_minutes: float, guide: Guide | None = None) -> list[str]:
    lines = [
        (f"The line of a sensor is the straight line between two good readings at most {max_gap_minutes:g} min apart. "
        "Outside it nothing is known: no time is credited, and the gap is listed. A recorded turn, a moved probe and a "
        "masked stretch end a line; nothing is drawn across them."),
        ("Hours at or over a temperature: the total time for which the line is at it or over it, to the millisecond. A "
        "stretch is one unbroken piece of that time."),
        ("Hottest: while any core sensor is at or over it. Coldest: while every placed core sensor is known and at or over "
        "it; a sensor that is silent makes the coldest unknown."),
        ("Load: the time since the last turn or the build, each hour divided by the hours that the guide allows at the "
        "hottest core temperature of that hour, added up; the guide calls for a turn at 1."),
        "A turn counts for the guide as the guide says; for a rule, as the rule's own reading says.",
        (f"Phase, by the hottest core sensor: hot from {HOT_C:g} °C on; heating until that is first reached, and for "
        f"{REHEAT_MS / HOUR:g} h after a turn; cooling below it; curing once it has been below it for {COOL_MS / DAY:g} d, "
        f"or {NEAR_AIR_MS / HOUR:g} h within {NEAR_AIR_K:g} K of the air, or is not hot again "
        f"{REHEAT_MS / HOUR:g} h after a turn (common practice, no source)."),
        _ladder(),
        ("Readings left out (impossible values, lone jumps, a probe pulled out) stay in the record and are shown, but no "
        "sum uses them."),
    ]  # fmt: skip
    if guide is not None:
        lines.insert(4, f"Turning guide: {guide_table(guide)}.")
    return lines


def guide_table(guide: Guide, units: Units = "celsius") -> str:
    """The whole guide in one sentence without its full stop."""
    rungs = ", ".join(
        f"from {_degrees(rung.from_c, units)} " + (f"after {rung.hold_h:g} h" if rung.hold_h else "at once")
        for rung in guide.rungs
    )
    counting = [f"{guide.counts_after_h:g} h at {_degrees(guide.counts_above_c, units)} or more"]
    if guide.counts_at_load is not None:
        counting.append(f"a load of {guide.counts_at_load:g}")
    asked = f"; {guide.required_turns} such turns asked" if guide.required_turns else ""
    return f"{guide.id}: turn {rungs}; a turn counts after {' or '.join(counting)}{asked} ({guide.source})"


def _degrees(celsius: float, units: Units) -> str:
    return f"{fahrenheit(celsius):g} °F" if units == "fahrenheit" else f"{celsius:g} °C"


def _ladder() -> str:
    steps = "; ".join(
        f"{step.level} at {step.at_least_c:g} °C"
        + (f" for {step.for_ms / MINUTE:g} min" if 0 < step.for_ms < HOUR else "")
        + (f" for {step.for_ms / HOUR:g} h" if step.for_ms >= HOUR else "")
        + f" ({step.source})"
        for step in STEPS
    )
    return (
        f"Running hot, by the hottest core sensor, hand readings and what was noted: {steps}; high after "
        f"{LONG_HOT_MS / HOUR:g} h at {LONG_HOT_C:g} °C without a turn; smoke is danger, a burnt smell at least high. A "
        f"step is given up {CLEAR_AFTER_MS / HOUR:g} h after falling {CLEAR_BELOW_K:g} K under it; danger once a hand "
        f"reading, a turn or {COOLED_AFTER_MS / HOUR:g} h confirm less than {COOLED_BELOW_C:g} °C. It is never a "
        "probability of fire. The durations are our own choices."
    )
