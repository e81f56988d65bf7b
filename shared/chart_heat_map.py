"""Depth against time: where in the pile it was how hot, and when. The second view of the same readings."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from shared.chart_lines import SensorLine, lines_of
from shared.chart_theme import PALETTES, Theme, config
from shared.chart_ticks import time_ticks
from shared.charts import SCHEMA, whole_span
from shared.heat.report import HeatReport
from shared.times import Millis
from shared.units import Units, fahrenheit

if TYPE_CHECKING:
    from shared.heat_book import PileHistory

# from cool to hot, each step darker than the one before (in grey too); the dark theme runs the other way
STEPS_C = (20, 30, 40, 45, 50, 55, 60, 65, 70)
LIGHT_RAMP = ("#f3f4e8", "#dfe8d8", "#bfd8d2", "#93c0c6", "#6aa2b5", "#f0b25c", "#de7f35", "#bd4a22", "#8c1c18", "#4d0710")  # fmt: skip
DARK_RAMP = ("#18221d", "#1d2f2d", "#1f4246", "#235962", "#2f7483", "#b06f14", "#d98a2b", "#f0a95a", "#ffcf9a", "#fff1df")  # fmt: skip
ROW_PX = 46


def heat_map_spec(
    history: PileHistory,
    report: HeatReport,
    *,
    units: Units = "celsius",
    zone: str = "UTC",
    width: int = 720,
    theme: Theme = "light",
) -> dict[str, Any]:
    """One row a sensor, the shallowest on top; a cell is the highest reading of its stretch of time, and a cell at
    55 °C or over carries a bar, so that it is told apart without colour."""
    lines = sorted(lines_of(history), key=lambda line: line.depth_cm or 0.0)
    shown = whole_span(lines, report)
    shown = (shown[0], Millis(min(shown[1], max(report.as_of, shown[0] + 1))))
    bins = max(20, min(240, width // 5))
    cells = [cell for line in lines for cell in _cells(line, shown, bins, units)]
    palette = PALETTES[theme]
    ticks = time_ticks(shown[0], shown[1], zone, most=max(3, width // 90))
    hot = fahrenheit(55) if units == "fahrenheit" else 55
    unit = "°F" if units == "fahrenheit" else "°C"
    x = {
        "field": "t",
        "type": "quantitative",
        "title": f"Time in {zone}",
        "scale": {"domain": [shown[0], shown[1]], "nice": False, "zero": False},
        "axis": {
            "values": [at for at, _ in ticks],
            "labelExpr": "tick_words[toString(datum.value)] || ''",
            "grid": False,
        },
    }
    y = {
        "field": "s",
        "type": "nominal",
        "title": None,
        "sort": [line.name for line in lines],
        "axis": {"labelFontSize": 13, "domain": False, "ticks": False},
    }
    colour = {
        "field": "band",
        "type": "ordinal",
        "scale": {"domain": _bands(units), "range": list(_ramp(theme))},
        "legend": {
            "title": None,
            "orient": "top",
            "columns": 10 if width >= 700 else 5,
            "symbolType": "square",
            "symbolSize": 220,
            "symbolStrokeWidth": 0,
        },
    }
    return {
        "$schema": SCHEMA,
        "description": f"Temperature in {unit} by depth and time, times in {zone}",
        "width": width - 90,
        "height": max(1, len(lines)) * ROW_PX,
        "params": [{"name": "tick_words", "value": {str(at): word for at, word in ticks}}],
        "datasets": {"cells": cells, "turns": _turns(report, shown)},
        "layer": [
            {
                "data": {"name": "cells"},
                "mark": {"type": "rect"},
                "encoding": {"x": x, "x2": {"field": "end"}, "y": y, "color": colour},
            },
            {
                "data": {"name": "cells"},
                "transform": [{"filter": f"datum.c >= {hot}"}],
                "mark": {"type": "rule", "strokeWidth": 3, "color": palette.ink, "yOffset": ROW_PX / 2 - 6},
                "encoding": {"x": x, "x2": {"field": "end"}, "y": y},
            },
            {
                "data": {"name": "turns"},
                "mark": {"type": "rule", "color": palette.ink, "strokeWidth": 1.5, "strokeDash": [4, 3]},
                "encoding": {"x": x},
            },
        ],
        "config": config(palette),
    }


def _bands(units: Units) -> list[str]:
    steps = [round(fahrenheit(step)) if units == "fahrenheit" else step for step in STEPS_C]
    between = [f"{low}–{high}" for low, high in pairwise(steps)]
    unit = "°F" if units == "fahrenheit" else "°C"
    return [f"under {steps[0]}", *between, f"{steps[-1]} {unit} up"]


def _ramp(theme: Theme) -> tuple[str, ...]:
    return DARK_RAMP if theme == "dark" else LIGHT_RAMP


def _turns(report: HeatReport, shown: tuple[Millis, Millis]) -> list[dict[str, Any]]:
    return [
        {"t": turn.at}
        for turn in report.turns
        if turn.state == "confirmed" and shown[0] <= turn.at <= shown[1]
    ]


def _cells(line: SensorLine, shown: tuple[Millis, Millis], bins: int, units: Units) -> list[dict[str, Any]]:
    good = ~line.suspect & (line.at >= shown[0]) & (line.at <= shown[1])
    at, celsius = line.at[good], line.celsius[good]
    span, names = shown[1] - shown[0], _bands(units)
    which = np.minimum((at - shown[0]) * bins // span, bins - 1)
    hottest = np.full(bins, -np.inf)
    np.maximum.at(hottest, which, celsius)
    return [
        {
            "t": shown[0] + index * span // bins,
            "end": shown[0] + (index + 1) * span // bins,
            "s": line.name,
            "band": names[int(np.searchsorted(STEPS_C, c, side="right"))],
            "c": round(fahrenheit(float(c)) if units == "fahrenheit" else float(c), 1),
        }
        for index, c in enumerate(hottest)
        if np.isfinite(c)
    ]
