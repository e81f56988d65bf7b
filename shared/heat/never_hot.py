"""The share of a pile that no cycle ever heated enough: a range, because nobody knows how well a turn mixes.

Each depth stands for the volume between the midpoints to its neighbours; a turn moves a share m of every part to a
random place and leaves the rest where it was. With m = 1 and the same hot share f each time: (1 - f)^n.
The model is recalled from Haug, The Practical Handbook of Compost Engineering, 1993: from memory, unverified.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from shared.heat.curve import SensorLine
from shared.heat.cycles import Cycle
from shared.heat.engine import PileHeat
from shared.heat.guide import Guide
from shared.heat.spans import clipped, total
from shared.piles import Pile
from shared.times import HOUR

MIXED = (1.0, 0.5)  # a thorough turn, a lazy one; our own choice
SKIN_CM = (
    5.0  # the outermost layer: counted as its nearest sensor in the low figure, as never hot in the high one
)
HOT_SHARES = (0.8, 0.3)  # of the volume, where depths and size do not tell; our own choice


@dataclass(frozen=True, slots=True)
class NeverHot:
    share: tuple[float, float] | None
    note: str


def never_hot(heat: PileHeat, guide: Guide, cycles: Sequence[Cycle]) -> NeverHot:
    if all(cycle.hours_above is None for cycle in cycles):
        return NeverHot(None, "nothing is known of the core")
    wanted = f"{guide.counts_after_h:g} h at or over {guide.counts_above_c:g} °C in one cycle"
    radius_cm = _radius_cm(heat.facts.pile)
    probes = [
        stand.depths()
        for stand in heat.stands
        if stand.zone == "core"
        and stand.depths()
        and all(line.key.depth_cm is not None for line in stand.depths().values())
    ]
    if radius_cm is None or not probes:
        times = sum(
            cycle.hours_above is not None and cycle.hours_above >= max(guide.counts_after_h, 1e-9)
            for cycle in cycles
        )
        low, high = ((1 - share) ** times for share in HOT_SHARES)
        return NeverHot(
            (low, high),
            f"estimate: {times} cycle(s) with {wanted}; each taken to heat {HOT_SHARES[1]:.0%} to {HOT_SHARES[0]:.0%} of "
            "the volume, parts mixed at random between them",
        )
    shares = [_left(guide, cycles, list(lines.values()), radius_cm) for lines in probes]
    low, high = (sum(column) / len(shares) for column in zip(*shares, strict=True))
    return NeverHot(
        (low, high),
        f"estimate: {wanted}, each depth standing for its layer of a ball of {radius_cm:.0f} cm radius; low: every turn "
        f"mixes all at random; high: half of it, and the outer {SKIN_CM:g} cm never count",
    )


def layer_shares(depths_cm: Sequence[float], radius_cm: float, power: int = 3) -> list[float]:
    """The share of the volume that each depth (ascending, cm under the surface) stands for; ``power`` 3 = ball."""
    edges = [0.0, *((a + b) / 2 for a, b in pairwise(depths_cm)), radius_cm]
    inner = [(max(radius_cm - edge, 0.0) / radius_cm) ** power for edge in edges]
    return [outside - inside for outside, inside in pairwise(inner)]


def left_over(shares: Sequence[float], met: Sequence[Sequence[bool]], mixed: float) -> float:
    """The share never hot: ``met[k][z]`` tells whether layer z was hot enough in cycle k; a turn lies between cycles."""
    parts = list(shares)
    for number, cycle in enumerate(met):
        if number:
            whole = sum(parts)
            parts = [
                (1 - mixed) * part + mixed * share * whole for part, share in zip(parts, shares, strict=True)
            ]
        parts = [0.0 if hot else part for part, hot in zip(parts, cycle, strict=True)]
    return sum(parts)


def _left(
    guide: Guide, cycles: Sequence[Cycle], lines: Sequence[SensorLine], radius_cm: float
) -> tuple[float, float]:
    shares = layer_shares([line.key.depth_cm or 0.0 for line in lines], radius_cm)
    skin = 1 - (max(radius_cm - SKIN_CM, 0.0) / radius_cm) ** 3
    need_ms = max(guide.counts_after_h * HOUR, 1)
    for line in lines:
        line.add_thresholds([guide.counts_above_c])
    met = [
        [
            total(clipped(line.spells[guide.counts_above_c].stretches(), cycle.start, cycle.end)) >= need_ms
            for line in lines
        ]
        for cycle in cycles
    ]
    low = left_over(shares, met, MIXED[0])
    skinned = [skin, max(shares[0] - skin, 0.0), *shares[1:]]
    skinned[-1] += 1 - sum(skinned)
    high = left_over(skinned, [[False, *cycle] for cycle in met], MIXED[1])
    return low, high


def _radius_cm(pile: Pile) -> float | None:
    """Of a ball of the pile's volume; a long row is no ball, and its length is not known."""
    if pile.volume_l is None or pile.volume_l <= 0 or "row" in (pile.kind or "").lower():
        return None
    return 10 * math.cbrt(3 * pile.volume_l / (4 * math.pi))
