"""The curves of the guide on reading them, drawn from the pile model: `python -m tests.screenshots.curves`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

import shared
from shared.charts import heat_curve_spec, render_svg
from shared.heat.catalogue import Catalogue
from shared.heat.compose import heat_report
from shared.heat.facts import PileFacts
from shared.heat.screening import RawReadings, screen
from shared.heat_book import PileHistory, SensorHistory
from shared.pile_model.parameters import PileParameters, draw, overheating, too_wet
from shared.pile_model.probes import SimulatedProbe
from shared.pile_model.simulation import Simulation
from shared.pile_model.weather import STEP_S, draw_weather
from shared.piles import Pile, Placement, Turn
from shared.readings import Curve, SensorKey
from shared.times import HOUR, Millis, Span, parse_time

BUILT = parse_time("2026-09-01T09:00:00Z")
STEPS_PER_DAY = 86_400 // STEP_S
READ_EVERY = 6  # steps of five minutes
PICTURES = Path(shared.__file__).parent / "help" / "pictures"


@dataclass(frozen=True)
class Shape:
    """``turns`` in days; ``out`` = from which day to which the probe lies beside the pile."""

    name: str
    pile: PileParameters
    days: int
    depths_cm: tuple[float, ...] = (10.0, 30.0, 55.0)
    turns: tuple[float, ...] = ()
    out: tuple[float, float] = (0.0, 0.0)


def shapes() -> tuple[Shape, ...]:
    caged = replace(draw("caged", np.random.default_rng(11)), t_max_c=69.5)
    windrow = draw("windrow", np.random.default_rng(4))
    return (
        Shape("curve-well", caged, 26, turns=(4.1, 7.2, 11.3, 17.2)),
        Shape("curve-dry", replace(caged, moisture=0.36, skin_air_kg_s_m3=6e-4), 16, turns=(9.3,)),
        Shape("curve-wet", too_wet(caged), 14, turns=(8.3,)),
        Shape("curve-hot", overheating(windrow), 13, depths_cm=(20.0, 50.0, 90.0), turns=(6.2,)),
        Shape("curve-out", caged, 13, turns=(4.1, 8.2), out=(10.5, 10.85)),
    )


def draw_curve(shape: Shape, file: Path) -> None:
    history = _grown(shape)
    end = Millis(BUILT + shape.days * 24 * HOUR)
    catalogue = Catalogue.load()
    placements = tuple({sensor.placement.id: sensor.placement for sensor in history.sensors}.values())
    curves = {
        sensor.key: Curve(sensor.at, sensor.celsius, np.zeros(len(sensor.at), dtype=np.uint8))
        for sensor in history.sensors
    }
    facts = PileFacts(history.pile, placements, history.turns)
    report = heat_report(facts, curves, end, catalogue.default_guide, (), 3 * HOUR)
    file.write_text(
        render_svg(heat_curve_spec(history, report, width=520, height=300, span=(BUILT, end))), "utf-8"
    )


def _grown(shape: Shape) -> PileHistory:
    rng = np.random.default_rng(5)
    simulation = Simulation([shape.pile], draw_weather(shape.days + 2, rng), first_step=9 * 3600 // STEP_S)
    probe = SimulatedProbe("lance-01", 0, shape.depths_cm, rng)
    due = [round(day * STEPS_PER_DAY) for day in shape.turns]
    seen: dict[float, list[float]] = {depth: [] for depth in shape.depths_cm}
    for step in range(shape.days * STEPS_PER_DAY):
        if step in due:
            simulation.turn(0)
            probe.replaced_after_a_turn()
        simulation.step()
        if step % READ_EVERY == 0:
            probe.pulled_out = shape.out[0] <= step / STEPS_PER_DAY < shape.out[1]
            for depth, celsius in probe.read(simulation).items():
                seen[depth].append(celsius)
    return _history(shape, seen, [Millis(BUILT + step * STEP_S * 1000) for step in due])


def _history(shape: Shape, seen: dict[float, list[float]], turned: Sequence[Millis]) -> PileHistory:
    pile = Pile("pile", "larkfield", "K-01", BUILT)
    stay = Placement("stay", "larkfield", "lance-01", "pile", Span(BUILT), "middle")
    raw = []
    for values in seen.values():
        at = BUILT + np.arange(len(values), dtype=np.int64) * READ_EVERY * STEP_S * 1000
        raw.append(RawReadings(at, np.asarray(values), np.zeros(len(values), dtype=np.uint8)))
    sensors = [
        SensorHistory(SensorKey("larkfield", "lance-01", f"{depth:g}"), stay, one.at, one.value, reasons)
        for depth, one, reasons in zip(seen, raw, screen(raw), strict=True)
    ]
    turns = [Turn(f"turn-{at}", "pile", at) for at in turned]
    return PileHistory(pile, tuple(sensors), tuple(turns), ())


if __name__ == "__main__":
    PICTURES.mkdir(exist_ok=True)
    for one in shapes():
        draw_curve(one, PICTURES / f"{one.name}.svg")
        print(PICTURES / f"{one.name}.svg")
