"""Larkfield Yard: the invented site of the demo. Every name and figure here is made up."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from shared.pile_model.parameters import Geometry, PileParameters, draw, overheating, too_dry
from shared.piles import NoteKind

SITE, SITE_NAME, ZONE = "larkfield", "Larkfield Yard", "Europe/Dublin"
DAYS = 62  # from the first build to the demo's present
CAGED_DEPTHS_CM, WINDROW_DEPTHS_CM = (10.0, 30.0, 55.0), (20.0, 50.0, 90.0)


@dataclass(frozen=True)
class DemoTurn:
    """``day`` counts from the start of the simulated history, in local days; 20.4 is the 21st day at 09:36."""

    day: float
    logged: bool = True
    note: str = ""


@dataclass(frozen=True)
class DemoPile:
    peg: str
    kind: Geometry
    built_day: float
    turns: tuple[DemoTurn, ...]
    finished_day: float | None = None
    trouble: str = ""  # "", dry, hot
    rules: tuple[str, ...] = ("three-turns",)
    volume_l: float = 1100.0
    t_max_c: float = 69.5  # how hot its biology runs
    rich: bool = (
        False  # a large, dense heap with much to degrade: the upper ends of the model's ordinary ranges
    )
    battery_percent: float = 84.0
    notes: tuple[tuple[float, NoteKind, str, dict[str, object]], ...] = ()
    mix: dict[str, object] = field(default_factory=dict)

    @property
    def probe(self) -> str:
        return f"lance-{self.peg[-2:]}"

    @property
    def depths_cm(self) -> tuple[float, ...]:
        return CAGED_DEPTHS_CM if self.kind == "caged" else WINDROW_DEPTHS_CM

    def parameters(self, rng: np.random.Generator) -> PileParameters:
        drawn = draw(self.kind, rng)
        if self.trouble == "dry":
            return too_dry(drawn)
        if self.trouble == "hot":
            return overheating(drawn)
        if self.rich:
            drawn = replace(
                drawn,
                radius_m=1.25,
                dry_matter_kg_m3=208.0,
                degradable_share=0.64,
                fast_share=0.34,
                k_slow_d=0.033,
            )
        return replace(drawn, t_max_c=self.t_max_c)


DUE_SOON = "K-02"  # its turn falls due within the first demo hour: the demo's present is chosen by it


def _turns(*days: float) -> tuple[DemoTurn, ...]:
    return tuple(DemoTurn(day) for day in days)


_WOODY: dict[str, object] = {"name": "wood chip, leaves, cattle manure", "carbon_to_nitrogen": 31.0}
_GREEN: dict[str, object] = {"name": "grass, straw, vegetable waste", "carbon_to_nitrogen": 27.0}

PILES: tuple[DemoPile, ...] = (
    DemoPile("K-01", "caged", 54.40, _turns(57.6, 61.9), mix=_WOODY),
    DemoPile("K-02", "caged", 56.35, _turns(59.4, 61.4), mix=_GREEN),
    DemoPile(
        "K-03", "windrow", 50.85, (), trouble="hot", rules=("us-organic-windrow",), volume_l=14000.0, mix=_GREEN
    ),
    DemoPile(
        "K-04", "caged", 53.45, (), trouble="dry", mix=_WOODY,
        notes=((57.5, "squeeze", "crumbles, no drops", {"feel": "dry"}),),
    ),
    DemoPile(
        "K-05", "windrow", 48.40, (*_turns(52.5, 55.5, 58.4), DemoTurn(61.38, logged=False)),
        rules=("us-organic-windrow", "three-turns"), volume_l=9000.0, mix=_GREEN,
    ),
    DemoPile(
        "K-06", "caged", 38.40, _turns(41.5, 44.5, 48.4, 53.5), battery_percent=9.0, mix=_WOODY,
        notes=((55.4, "smell", "earthy", {"smell": "earthy", "smoke": False}),),
    ),
    DemoPile(
        "K-07", "windrow", 0.40, _turns(5.4, 9.4, 12.6, 16.4, 19.5), finished_day=47.5, rich=True,
        rules=("us-organic-windrow", "three-turns"), volume_l=11000.0, mix=_GREEN,
        notes=((9.4, "water", "at the turn", {"litres": 180}),),
    ),
    DemoPile("K-08", "caged", 3.40, _turns(6.5, 9.4, 13.5), finished_day=44.5, t_max_c=72.0, mix=_GREEN),
    DemoPile("K-09", "caged", 8.40, _turns(12.5, 16.4, 20.5, 26.4), finished_day=50.5, mix=_WOODY),
)  # fmt: skip
