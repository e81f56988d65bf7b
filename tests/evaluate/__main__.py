"""``python -m tests.evaluate [folder] [piles]``: writes report.md and its plots; see ``tests/evaluate/report.py``."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from shared.pile_model.parameters import Geometry
from tests.evaluate.ahead import Errors, errors_of, half_hours, joined
from tests.evaluate.predictable import hindsight_share
from tests.evaluate.report import HEAD, aims, outlook_table, plots, turns_table
from tests.evaluate.sets import FIRST_SEED, KINETICS, Record, litter, simulated
from tests.evaluate.turns import Score, score_of

DAYS, TURN_DAYS = 28, 40
GEOMETRIES: tuple[Geometry, ...] = ("caged", "windrow")
HINDSIGHT = (
    "A linear fit to the last two days' readings, made with hindsight on the very record that it is judged on, 24 h ahead, "
    "as a share of persistence. An outlook that knows only the past cannot be expected to do much better where the "
    "record is long:"
)


def outlooks(piles: int) -> dict[str, Errors]:
    sets: dict[str, Errors] = {}
    for number, kinetics in enumerate(KINETICS):
        for geometry in GEOMETRIES:
            _say(f"outlook: {geometry}, {kinetics}")
            records = simulated(geometry, kinetics, piles, DAYS, FIRST_SEED + number)
            sets[f"simulated {geometry}, {kinetics}"] = joined([errors_of(one) for one in records])
    records = simulated("caged", "Haug", piles, DAYS, FIRST_SEED + 9)
    sets["simulated caged, Haug, turns not logged"] = joined(
        [errors_of(one, logged=False) for one in records]
    )
    for one in litter():
        _say(f"outlook: {one.name}")
        sets[f"real {one.name}"] = errors_of(one, 3.0)
    return sets


def turns(piles: int) -> dict[str, Score]:
    scores: dict[str, Score] = {}
    for number, kinetics in enumerate(KINETICS):
        for geometry in GEOMETRIES:
            _say(f"turns: {geometry}, {kinetics}")
            seed = FIRST_SEED + 100 + number
            three = simulated(geometry, kinetics, piles, TURN_DAYS, seed)
            scores[f"simulated {geometry}, {kinetics}, three depths, 10 min"] = score_of(three)
            alone = [one.only_core() for one in simulated(geometry, kinetics, piles, TURN_DAYS, seed, 30)]
            scores[f"simulated {geometry}, {kinetics}, core alone, 30 min"] = score_of(alone)
    hourly = simulated("caged", "cardinal", piles, TURN_DAYS, FIRST_SEED + 110, 60)
    scores["simulated caged, cardinal, three depths, hourly"] = score_of(hourly, delays=False)
    for one in litter():
        scores[f"real {one.name} (never turned)"] = score_of([one], delays=False)
    return scores


def why_not(records: list[Record]) -> list[str]:
    lines = [
        "## What the real record holds",
        "",
        HINDSIGHT,
        "",
    ]
    for one in records:
        celsius, places = half_hours(one)
        lines.append(f"- {one.name}: {hindsight_share(celsius[::2], places[::2]):.2f}")
    return [*lines, ""]


def main(folder: Path, piles: int) -> None:
    begun = time.monotonic()
    folder.mkdir(parents=True, exist_ok=True)
    scores, sets = turns(piles), outlooks(piles)
    lines = [HEAD, f"{piles} piles a simulated set.", ""]
    lines += aims(sets, scores) + turns_table(scores) + outlook_table(sets)
    lines += why_not(list(litter())) + plots(folder, sets)
    (folder / "report.md").write_text("\n".join(lines), "utf-8")
    _say(f"{folder / 'report.md'} written after {time.monotonic() - begun:.0f} s")


def _say(text: str) -> None:
    print(text, flush=True)


if __name__ == "__main__":
    main(
        Path(sys.argv[1] if len(sys.argv) > 1 else "build/evaluation"),
        int(sys.argv[2]) if len(sys.argv) > 2 else 12,
    )
