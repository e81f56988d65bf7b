"""A probe's battery runs low: by its percentage, else by its volts where someone said what it runs on.

The volts are of the whole battery under the small load of a radio. From memory, unverified: data sheets and the cold
move them by a tenth of a volt and more, so they ask for a battery "this week", not for one today.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from alerts.conditions.verdict import Condition, Verdict
from alerts.snapshot import PlacedProbe, Snapshot
from shared.settings import BatteryCells
from shared.times import DAY, HOUR


class Limits(NamedTuple):
    """At or under ``low`` it runs low, at or under ``empty`` it may stop any day, from ``well`` on it is well again."""

    low: float
    empty: float
    well: float


PERCENT = Limits(15.0, 5.0, 30.0)  # common practice, no source
VOLTS: Mapping[BatteryCells, Limits] = {  # from memory, unverified
    "alkaline-2": Limits(2.4, 2.1, 2.8),
    "alkaline-3": Limits(3.6, 3.15, 4.2),
    "alkaline-4": Limits(4.8, 4.2, 5.6),
    "nimh-2": Limits(2.3, 2.1, 2.5),
    "nimh-3": Limits(3.45, 3.15, 3.75),
    "li-ion": Limits(3.5, 3.3, 3.7),
    "lifepo4": Limits(3.1, 2.9, 3.25),
    "li-socl2": Limits(3.3, 3.0, 3.5),
    "li-coin": Limits(2.7, 2.4, 2.9),
}


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    if snapshot.pile is None:
        return []
    return [_judge_one(placed, snapshot.cells) for placed in snapshot.probes]


def _judge_one(placed: PlacedProbe, cells: BatteryCells | None) -> Verdict:
    percent = placed.probe.battery_percent if placed.probe else None
    volt = placed.probe.battery_volt if placed.probe else None
    if percent is not None:
        return _held_against(placed.name, percent, PERCENT, "percent")
    if volt is None:
        return Verdict("unknown", "nothing_said", subject=placed.name)
    if cells is None:
        return Verdict("unknown", "volts_of_unknown_cells", subject=placed.name)
    return _held_against(placed.name, volt, VOLTS[cells], "volt")


def _held_against(probe: str, value: float, limits: Limits, unit: str) -> Verdict:
    figures = {"probe": probe, f"battery_{unit}": value, f"limit_{unit}": limits.low}
    if value <= limits.empty:
        return Verdict("bad", f"nearly_empty_by_{unit}", "act", probe, figures | {"empty": True})
    if value <= limits.low:
        return Verdict("bad", f"low_by_{unit}", "info", probe, figures)
    if value < limits.well:
        return Verdict("unknown", "between_thresholds", subject=probe)
    return Verdict("ok", "charged", subject=probe, figures=figures)


CONDITION = Condition(
    "battery_low", ("pile",), judge, close_hold_ms=1 * HOUR, retell_after_ms=7 * DAY, tell_resolved=False
)
