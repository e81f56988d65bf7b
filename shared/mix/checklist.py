"""What to see to around a build: the day before, the day itself, the day after. Common practice, no source."""

from __future__ import annotations

from typing import Literal, NamedTuple

Day = Literal["before", "day", "after"]
DAY_WORDS: dict[Day, str] = {"before": "The day before", "day": "The day", "after": "The day after"}


class Step(NamedTuple):
    id: str
    day: Day
    text: str


STEPS: tuple[Step, ...] = (
    Step("ground", "before", "Ground chosen: it drains, hose and machine reach it, nothing that burns stands near."),
    Step("stuff", "before", "Everything that goes in is here, measured, and its questions are settled."),
    Step("soak", "before", "Dry browns soaked, so that they hold their water before they go in."),
    Step("tools", "before", "Buckets, forks, hose, cover and thermometer laid out; probes read right in ice water."),
    Step("people", "before", "Nobody works alone; masks, gloves and water to wash are there."),
    Step("bottom", "day", "A loose, coarse layer lies at the bottom, so that air gets in."),
    Step("mixed", "day", "Each mixing batch looks alike throughout; water went in a little at a time."),
    Step("squeezed", "day", "Squeezed low, in the middle and high: a few drops each time."),
    Step("covered", "day", "Covered against rain and sun, and still able to breathe."),
    Step("peg", "day", "The peg stands, the probe is in, the first reading is written down."),
    Step("warmer", "after", "It is warmer than yesterday, in the core and near the edge."),
    Step("nose", "after", "No rot, no biting ammonia."),
    Step("shape", "after", "It has settled without cracks, and the probe still sits where it was put."),
    Step("again", "after", "Squeezed once more; watered if it was dry."),
)  # fmt: skip
STEP_IDS = frozenset(step.id for step in STEPS)
