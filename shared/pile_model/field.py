"""A season of a simulated pile as the field gives it: probes come out at turns, drop out, get wet, and lie."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.pile_model import physics
from shared.pile_model.parameters import Geometry, draw
from shared.pile_model.simulation import Activity, Simulation
from shared.pile_model.weather import STEP_S, draw_weather
from shared.times import MINUTE, Millis

STEP_MS = STEP_S * 1000
STEP_C = 1 / 16
WORTH_TURNING_C = 30.0  # nobody turns a cold heap for its heat


@dataclass(frozen=True)
class FieldRecord:
    """``curves``: depth in cm -> (instants in ms, °C). ``turns``: when it really was turned, and how far the core fell."""

    geometry: Geometry
    curves: dict[float, tuple[NDArray[np.int64], NDArray[np.float64]]]
    turns: tuple[tuple[Millis, float], ...]


@dataclass(frozen=True)
class FieldHabits:
    """How the site measures. Shares at a turn: probe out for a while, data gap, else it stays in."""

    every_min: int = 10
    noise_c: float = 0.25
    out_at_turn: float = 0.60
    gap_at_turn: float = 0.25
    pull_outs_per_week: float = 0.25  # for reasons other than a turn
    waterings_per_week: float = 0.3
    gaps_per_week: float = 0.5
    spikes_per_week: float = 0.7


def field_records(
    geometry: Geometry,
    piles: int,
    days: int,
    seed: int,
    habits: FieldHabits | None = None,
    *,
    activity: Activity = physics.activity,
) -> list[FieldRecord]:
    """``piles`` records of ``days`` days with random turns every 3-6 days, slowing. Same seed, same records."""
    habits = habits or FieldHabits()
    rng = np.random.default_rng(seed)
    drawn = [draw(geometry, rng) for _ in range(piles)]
    simulation = Simulation(drawn, draw_weather(days + 1, rng), activity=activity)
    depths = (10.0, 30.0, 50.0) if geometry == "caged" else (15.0, 45.0, 80.0)
    steps = days * 86400 // STEP_S
    plan = [_turn_steps(rng, steps) for _ in drawn]
    shares = simulation.shares(depths)
    truth = np.empty((steps, piles, len(depths)))
    air = np.empty(steps)
    for step in range(steps):
        for number in range(piles):
            if step in plan[number] and simulation.celsius(number, depths[-1]) < WORTH_TURNING_C:
                plan[number].discard(step)
            if step in plan[number]:
                simulation.turn(number, water_to=0.56 if rng.random() < 0.7 else None)
        simulation.step()
        air[step] = simulation.weather.at(step)[0]
        truth[step] = np.einsum("pds,ps->pd", shares, simulation.t)
    return [
        _spoil(
            geometry,
            truth[:, number],
            air,
            sorted(plan[number]),
            depths,
            habits,
            np.random.default_rng([seed, number]),
        )
        for number in range(piles)
    ]


def _turn_steps(rng: np.random.Generator, steps: int) -> set[int]:
    per_day = 86400 // STEP_S
    day, found = rng.uniform(3, 6), set()
    while day * per_day < steps - per_day:
        found.add(int(day * per_day))
        day += rng.uniform(3, 6) * (1 + day / 30)
    return found


def _spoil(
    geometry: Geometry,
    truth: NDArray[np.float64],
    air: NDArray[np.float64],
    turns: list[int],
    depths: tuple[float, ...],
    habits: FieldHabits,
    rng: np.random.Generator,
) -> FieldRecord:
    steps = len(truth)
    seen = truth + rng.uniform(-0.5, 0.5, len(depths))
    there = np.ones(seen.shape, dtype=bool)
    falls = []
    shift = np.zeros(
        len(depths)
    )  # what its present place in the pile adds; another one after every re-insertion
    for step in turns:
        falls.append(
            (
                Millis((step + 1) * STEP_MS),
                float(truth[max(0, step - 2), -1] - truth[min(steps - 1, step + 2), -1]),
            )
        )
        chance = rng.random()
        if chance < habits.out_at_turn:
            _pull_out(seen, air, step - int(rng.integers(0, 5)), int(rng.integers(3, 13)), rng, shift)
        elif chance < habits.out_at_turn + habits.gap_at_turn:
            there[max(0, step - int(rng.integers(0, 6))) : step + int(rng.integers(3, 40))] = False
    weeks = steps * STEP_S / 604800.0
    for start in _moments(rng, habits.pull_outs_per_week * weeks, steps):
        _pull_out(seen, air, start, int(rng.integers(2, 14)), rng, shift)
    for start in _moments(rng, habits.waterings_per_week * weeks, steps):
        length = int(rng.integers(12, 72))
        fade = np.exp(-np.arange(length) / (length / 3.0))
        part = seen[start : start + length]
        part -= fade[: len(part), None] * rng.uniform(5, 15) * np.array([1.0, 0.25, 0.05])
    for start in _moments(rng, habits.gaps_per_week * weeks, steps):
        there[start : start + int(rng.integers(6, 120)), int(rng.integers(0, len(depths)))] = False
    seen = np.round((seen + rng.normal(0, habits.noise_c, seen.shape)) / STEP_C) * STEP_C
    for start in _moments(rng, habits.spikes_per_week * weeks, steps):
        seen[start, int(rng.integers(0, len(depths)))] = (85.0, -127.0)[int(rng.integers(0, 2))]
    every = habits.every_min * MINUTE // STEP_MS
    at = (np.arange(steps, dtype=np.int64) + 1) * STEP_MS
    picked = np.arange(steps) % every == 0
    curves = {}
    for index, depth in enumerate(depths):
        kept = picked & there[:, index]
        curves[depth] = (at[kept], seen[kept, index])
    return FieldRecord(geometry, curves, tuple(falls))


def _moments(rng: np.random.Generator, expected: float, steps: int) -> list[int]:
    return [int(moment) for moment in rng.integers(0, steps, rng.poisson(expected))]


def _pull_out(
    seen: NDArray[np.float64],
    air: NDArray[np.float64],
    start: int,
    length: int,
    rng: np.random.Generator,
    shift: NDArray[np.float64],
) -> None:
    """In the open the probe falls to air temperature within some minutes; back in, in another place, it recovers."""
    start = max(0, start)
    end = min(len(seen), start + length)
    for step in range(start, end):
        left = float(np.exp(-(step - start + 1) * STEP_S / 300.0))
        seen[step] = air[step] + (seen[step] - air[step]) * left
    again = rng.normal(0.0, 1.2, seen.shape[1])
    seen[end:] += again - shift
    shift[:] = again
    if end < len(seen):
        seen[end] -= (seen[end] - air[end]) * 0.25
