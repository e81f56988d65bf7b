"""Several piles laid over each other from the day they were built: the hottest core reading of each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from shared.chart_lines import lines_of
from shared.chart_theme import PALETTES, Theme, config, told_apart
from shared.charts import SCHEMA, THRESHOLDS
from shared.heat.report import HeatReport
from shared.times import DAY, HOUR, Millis
from shared.units import Units, fahrenheit

if TYPE_CHECKING:
    from shared.heat_book import PileHistory

STEP_MS = 2 * HOUR


def compare_spec(
    runs: Sequence[tuple[str, Millis, PileHistory, HeatReport]],
    *,
    units: Units = "celsius",
    width: int = 720,
    height: int = 380,
    theme: Theme = "light",
) -> dict[str, Any]:
    """``runs``: name, build instant, history and report of each pile. A point = the hottest good core reading of two
    hours; a break = none in that time or a turn."""
    palette = PALETTES[theme]
    unit = "°F" if units == "fahrenheit" else "°C"
    names = [name for name, *_ in runs]
    rows = [row for run in runs for row in _rows(*run, units=units)]
    rules = [
        {
            "c": fahrenheit(c) if units == "fahrenheit" else c,
            "word": f"{fahrenheit(c) if units == 'fahrenheit' else c:.0f}° {word}",
        }
        for c, word in THRESHOLDS
    ]
    y = {"field": "c", "type": "quantitative", "title": unit, "scale": {"zero": False}}
    return {
        "$schema": SCHEMA,
        "description": f"Hottest core reading in {unit} of {len(names)} piles by days since the build",
        "width": width,
        "height": height,
        "autosize": {"type": "fit", "contains": "padding"},
        "datasets": {"runs": rows, "rules": rules},
        "layer": [
            {
                "data": {"name": "rules"},
                "mark": {"type": "rule", "color": palette.soft, "strokeDash": [2, 3]},
                "encoding": {"y": y},
            },
            {
                "data": {"name": "runs"},
                "mark": {"type": "line", "strokeWidth": 2},
                "encoding": {
                    "x": {"field": "d", "type": "quantitative", "title": "Days since it was built"},
                    "y": y,
                }
                | told_apart(palette, names),
            },
            {
                "data": {"name": "rules"},
                "mark": {
                    "type": "text",
                    "align": "left",
                    "baseline": "bottom",
                    "dx": 4,
                    "dy": -2,
                    "color": palette.soft,
                },
                "encoding": {"x": {"value": 0}, "y": y, "text": {"field": "word", "type": "nominal"}},
            },
        ],
        "config": config(palette),
    }


def _rows(
    name: str, built_at: Millis, history: PileHistory, report: HeatReport, *, units: Units
) -> list[dict[str, Any]]:
    core = {(sensor.probe, sensor.depth_cm) for sensor in report.sensors if sensor.zone == "core"}
    lines = [line for line in lines_of(history) if (line.probe, line.depth_cm) in core]
    if not any((~line.suspect).any() for line in lines):
        return []
    at = np.concatenate([line.at[~line.suspect] for line in lines])
    celsius = np.concatenate([line.celsius[~line.suspect] for line in lines])
    steps = (at - built_at) // STEP_MS
    order = np.lexsort((-celsius, steps))
    steps, at, celsius = steps[order], at[order], celsius[order]
    first = np.r_[True, np.diff(steps) > 0]
    steps, at, celsius = steps[first], at[first], celsius[first]
    turned = np.array(sorted(t.at for t in report.turns if t.state == "confirmed"), dtype=np.int64)
    piece = np.cumsum(np.r_[False, np.diff(steps) > 2]) * 1000 + np.searchsorted(turned, at, side="right")
    return [
        {
            "d": round((int(a) - built_at) / DAY, 3),
            "c": round(fahrenheit(float(c)) if units == "fahrenheit" else float(c), 1),
            "s": name,
            "p": int(p),
        }
        for a, c, p in zip(at, celsius, piece, strict=True)
    ]
