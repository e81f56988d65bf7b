"""Where C:N and moisture should lie at the start, and what the chosen rules ask of it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

# C:N 25-35 ideal, 20-40 acceptable; moisture 45-60 % ideal, 40-65 acceptable:
# L. Cooperband, The Art and Science of Composting, 2002, as tabled in a teaching worksheet
RATIO_IDEAL, RATIO_ACCEPTABLE = (25.0, 35.0), (20.0, 40.0)
MOISTURE_IDEAL, MOISTURE_ACCEPTABLE = (45.0, 60.0), (40.0, 65.0)


class StartRule(Protocol):
    """A rule that may say where the C:N has to lie when the pile is built."""

    @property
    def title(self) -> str: ...
    @property
    def edition(self) -> str: ...
    @property
    def start_carbon_to_nitrogen(self) -> tuple[float, float] | None: ...


def start_warnings(
    ratio: float | None, moisture: float | None, rules: Iterable[StartRule], *, rough: bool
) -> list[str]:
    found = []
    if ratio is not None:
        sides = ("nitrogen-rich: expect ammonia", "slow to heat: short of nitrogen")
        found += _window(f"C:N {ratio:.1f}", ratio, RATIO_IDEAL, RATIO_ACCEPTABLE, sides)
    if moisture is not None:
        sides = ("dry: slow or no heat", "wet: short of air")
        found += _window(f"Moisture {moisture:.1f} %", moisture, MOISTURE_IDEAL, MOISTURE_ACCEPTABLE, sides)
    for rule in rules:
        found += _start_of(rule, ratio, rough=rough)
    return found


def _start_of(rule: StartRule, ratio: float | None, *, rough: bool) -> list[str]:
    """Both edges are inside the window; a ratio is read to four decimals, so that a solved 40 is no 40.00000001."""
    window = rule.start_carbon_to_nitrogen
    if window is None:
        return []
    asks = f"{rule.title} ({rule.edition}) asks for a start C:N of {window[0]:g}:1 to {window[1]:g}:1"
    if ratio is None:
        return [f"{asks}; that of this mix is unknown."]
    if not window[0] <= round(ratio, 4) <= window[1]:
        return [f"{asks}; this mix has {ratio:.1f}:1."]
    return [f"{asks}; the rough {ratio:.1f}:1 cannot show it."] if rough else []


def _window(
    what: str,
    value: float,
    ideal: tuple[float, float],
    acceptable: tuple[float, float],
    sides: tuple[str, str],
) -> list[str]:
    if ideal[0] <= round(value, 4) <= ideal[1]:
        return []
    side = sides[0] if value < ideal[0] else sides[1]
    inside = acceptable[0] <= value <= acceptable[1]
    verdict = "acceptable, not ideal" if inside else "outside the acceptable window"
    bounds = f"ideal {ideal[0]:g}-{ideal[1]:g}, acceptable {acceptable[0]:g}-{acceptable[1]:g}"
    return [f"{what} is {verdict} ({bounds}): {side}."]
