"""``python -m tests.evaluate [folder] [piles] [--jobs 2]``: writes report.md and its plots; see ``tests/evaluate/report.py``.

With ``--turns`` it judges the turn finder alone and writes turns.md.
"""

from __future__ import annotations

import time
from argparse import ArgumentParser
from concurrent.futures import Executor, ProcessPoolExecutor
from pathlib import Path

from shared.pile_model.parameters import Geometry
from tests.evaluate.ahead import Errors, errors_of, half_hours, joined
from tests.evaluate.predictable import hindsight_shares
from tests.evaluate.report import HEAD, aims, outlook_table, plots, turns_table
from tests.evaluate.sets import FIRST_SEED, KINETICS, Record, litter, litter_air, simulated
from tests.evaluate.turns import Score, score_of

DAYS, TURN_DAYS = 28, 40
GEOMETRIES: tuple[Geometry, ...] = ("caged", "windrow")
HINDSIGHT = (
    "Straight-line models made with hindsight on the very record that they are judged on, 24 h ahead, as a share of "
    "persistence: from the last two days' readings, with the hour of the day, with the true air temperature of the day to "
    "come. An outlook that knows only the past cannot be expected to do much better where the record is long:"
)


def outlook_of_set(geometry: Geometry, kinetics: str, seed: int, piles: int, logged: bool) -> Errors:
    _say(f"outlook: {geometry}, {kinetics}")
    records = simulated(geometry, kinetics, piles, DAYS, seed)
    return joined([errors_of(one, logged=logged) for one in records])


def outlooks(piles: int, pool: Executor) -> dict[str, Errors]:
    jobs = {
        f"simulated {geometry}, {kinetics}": pool.submit(
            outlook_of_set, geometry, kinetics, FIRST_SEED + number, piles, True
        )
        for number, kinetics in enumerate(KINETICS)
        for geometry in GEOMETRIES
    }
    jobs["simulated caged, Haug, turns not logged"] = pool.submit(
        outlook_of_set, "caged", "Haug", FIRST_SEED + 9, piles, False
    )
    jobs |= {f"real {one.name}": pool.submit(errors_of, one, 3.0) for one in litter()}
    return {name: job.result() for name, job in jobs.items()}


def turns_of_set(geometry: Geometry, kinetics: str, seed: int, piles: int) -> dict[str, Score]:
    _say(f"turns: {geometry}, {kinetics}")
    three = simulated(geometry, kinetics, piles, TURN_DAYS, seed)
    rarely = [one.thinned(30) for one in three]
    name = f"simulated {geometry}, {kinetics}"
    return {
        f"{name}, three depths, 10 min": score_of(three),
        f"{name}, core alone, 30 min": score_of([one.only(-1) for one in rarely]),
        f"{name}, middle depth alone, 30 min": score_of([one.only(1) for one in rarely], delays=False),
        f"{name}, outermost depth alone, 10 min": score_of([one.only(0) for one in three], delays=False),
    }


def turns(piles: int, pool: Executor) -> dict[str, Score]:
    jobs = [
        pool.submit(turns_of_set, geometry, kinetics, FIRST_SEED + 100 + number, piles)
        for number, kinetics in enumerate(KINETICS)
        for geometry in GEOMETRIES
    ]
    scores = {name: score for job in jobs for name, score in job.result().items()}
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
        hourly = celsius[::2]
        shares = hindsight_shares(hourly, places[::2], litter_air(len(hourly)))
        lines.append(f"- {one.name}: {', '.join(f'{share:.2f}' for share in shares)}")
    return [*lines, ""]


def main(folder: Path, piles: int, jobs: int) -> None:
    begun = time.monotonic()
    folder.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(jobs) as pool:
        scores, sets = turns(piles, pool), outlooks(piles, pool)
    lines = [HEAD, f"{piles} piles a simulated set.", ""]
    lines += aims(sets, scores) + turns_table(scores) + outlook_table(sets)
    lines += why_not(list(litter())) + plots(folder, sets)
    (folder / "report.md").write_text("\n".join(lines), "utf-8")
    _say(f"{folder / 'report.md'} written after {time.monotonic() - begun:.0f} s")


def only_turns(folder: Path, piles: int, jobs: int) -> None:
    begun = time.monotonic()
    folder.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(jobs) as pool:
        scores = turns(piles, pool)
    lines = [HEAD, f"{piles} piles a simulated set.", "", *aims({}, scores), *turns_table(scores)]
    (folder / "turns.md").write_text("\n".join(lines), "utf-8")
    _say(f"{folder / 'turns.md'} written after {time.monotonic() - begun:.0f} s")


def _say(text: str) -> None:
    print(text, flush=True)


if __name__ == "__main__":
    asked = ArgumentParser(description="Writes report.md and its plots.")
    asked.add_argument("folder", nargs="?", type=Path, default=Path("build/evaluation"))
    asked.add_argument("piles", nargs="?", type=int, default=12, help="a simulated set")
    asked.add_argument("--jobs", type=int, default=1, help="processes at once")
    asked.add_argument("--turns", action="store_true", help="the turn finder alone, into turns.md")
    given = asked.parse_args()
    (only_turns if given.turns else main)(given.folder, given.piles, given.jobs)
