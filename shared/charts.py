"""One chart definition for the page, the mail picture and the document: a Vega-Lite spec as plain data."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import vl_convert

from shared.chart_layers import curve_layers
from shared.chart_lines import SensorLine, Thinned, lines_of, thin
from shared.chart_marks import MOST_NAMED, end_rows, gap_rows, hand_rows, note_rows, outlook_rows, turn_rows
from shared.chart_theme import PALETTES, Palette, Theme, config
from shared.chart_ticks import time_ticks
from shared.heat.hand import BY_HAND, HAND_GAP_MS
from shared.heat.report import HeatReport
from shared.times import HOUR, MINUTE, Millis
from shared.units import Units, fahrenheit

if TYPE_CHECKING:
    from shared.heat_book import PileHistory

SCHEMA = "https://vega.github.io/schema/vega-lite/v6.json"
THRESHOLDS: tuple[tuple[float, str], ...] = ((55.0, "hot enough"), (65.0, "too hot"), (70.0, "turn now"))


def heat_curve_spec(
    history: PileHistory,
    report: HeatReport,
    *,
    units: Units = "celsius",
    zone: str = "UTC",
    width: int = 720,
    height: int = 360,
    theme: Theme = "light",
    span: tuple[Millis, Millis] | None = None,
    points: int = 500,
) -> dict[str, Any]:
    """The heat curve at every depth with thresholds, turns, notes, gaps, suspect readings and the outlook.

    ``span`` = the stretch shown (default: from the build to the end of readings and outlook); ``points`` = about so
    many for each sensor, peaks and crossings kept beside them. Times are read in ``zone``, which the axis names.
    """
    lines = lines_of(history)
    shown = span or whole_span(lines, report)
    drawn = [
        thin(
            line,
            points=points,
            thresholds_c=[celsius for celsius, _ in THRESHOLDS],
            breaks=[turn.at for turn in report.turns if turn.state == "confirmed"],
            max_gap_ms=_gap_ms(line, report),
            span=shown,
        )
        for line in lines
    ]
    to_unit = _unit(units)
    low, high = _value_range(drawn, report)
    plot_px = max(120, width - 110)
    apart = (to_unit(high) - to_unit(low)) / height * 15
    datasets = {
        "curve": _curve_rows(drawn, to_unit),
        "lone": _lone_rows(drawn, to_unit),
        "suspect": [
            {"t": int(at), "c": to_unit(float(c)), "s": line.name}
            for line in drawn
            for at, c in zip(line.suspect_at, line.suspect_c, strict=True)
        ],
        "ends": end_rows(drawn, shown[1], to_unit, apart),
        "gaps": gap_rows(lines, shown, round(report.max_gap_minutes * MINUTE)),
        "outlook": outlook_rows(report, shown, to_unit),
        "turns": turn_rows(report.turns, shown, plot_px),
        "notes": note_rows(history.notes, shown, plot_px),
        "hand": hand_rows(history.notes, shown, to_unit),
        "thresholds": [
            {"c": to_unit(celsius), "rank": rank, "word": f"{to_unit(celsius):.0f}°  {word}"}
            for rank, (celsius, word) in enumerate(THRESHOLDS)
        ],
    }
    palette = PALETTES[theme]
    names = [line.name for line in lines]
    ticks = time_ticks(shown[0], shown[1], zone, most=max(3, plot_px // 75))
    unit = "°F" if units == "fahrenheit" else "°C"
    layers = curve_layers(palette, names, unit)
    layers = [layer for layer in layers if datasets[layer["data"]["name"]]]
    for layer in layers:
        _share_axes(layer, (to_unit(low), to_unit(high)), unit, zone)
    return {
        "$schema": SCHEMA,
        "description": f"Heat curve in {unit} at {len(names)} depths, times in {zone}",
        "width": width,
        "height": height,
        "autosize": {"type": "fit", "contains": "padding"},
        "padding": {
            "left": 4,
            "right": 6,
            "top": 6,
            "bottom": 4,
        },
        "params": [
            {"name": "x_from", "value": shown[0]},
            {"name": "x_to", "value": shown[1]},
            {"name": "known_to", "value": min(shown[1], report.as_of)},
            {"name": "tick_at", "value": [at for at, _ in ticks]},
            {"name": "tick_words", "value": {str(at): word for at, word in ticks}},
        ],
        "datasets": datasets,
        "layer": layers,
        "resolve": {"scale": {"color": "independent", "strokeDash": "independent", "shape": "independent"}},
        "config": _config(palette, len(names)),
    }


def _config(palette: Palette, lines: int) -> dict[str, Any]:
    found = config(palette)
    return found | {"legend": {"disable": True}} if lines > MOST_NAMED else found


def _gap_ms(line: SensorLine, report: HeatReport) -> int:
    usual = round(report.max_gap_minutes * MINUTE)
    return max(usual, HAND_GAP_MS) if line.probe == BY_HAND else usual


def whole_span(lines: Sequence[SensorLine], report: HeatReport) -> tuple[Millis, Millis]:
    """From the build (or the first reading) to the last reading or the end of the outlook."""
    firsts = [int(line.at[0]) for line in lines if len(line.at)]
    lasts = [int(line.at[-1]) for line in lines if len(line.at)] + [point.at for point in report.outlook]
    start = report.built_at if report.built_at is not None else min(firsts, default=report.as_of)
    end = max(lasts, default=report.as_of)
    return Millis(start), Millis(max(end, start + HOUR))


def render_svg(spec: dict[str, Any]) -> str:
    return str(vl_convert.vegalite_to_svg(spec, allowed_base_urls=[]))


def render_png(spec: dict[str, Any], scale: float = 2.0) -> bytes:
    return bytes(vl_convert.vegalite_to_png(spec, scale=scale, allowed_base_urls=[]))


def _unit(units: Units) -> Callable[[float], float]:
    def to_unit(celsius: float) -> float:
        return round(fahrenheit(celsius) if units == "fahrenheit" else celsius, 2)

    return to_unit


def _value_range(drawn: Sequence[Thinned], report: HeatReport) -> tuple[float, float]:
    """Holds the thresholds and every good reading; suspect ones and the outlook widen it as far as biology goes."""
    lows = [float(line.celsius.min()) for line in drawn if len(line.celsius)]
    highs = [float(line.celsius.max()) for line in drawn if len(line.celsius)]
    beside = [float(line.suspect_c.max()) for line in drawn if len(line.suspect_c)]
    beside += [point.high for point in report.outlook]
    lows += [max(0.0, float(line.suspect_c.min())) for line in drawn if len(line.suspect_c)]
    lows += [point.low for point in report.outlook]
    highs += [min(93.0, celsius) for celsius in beside]
    return max(-30.0, min([20.0, *lows]) - 2), max([73.0, *highs]) + 2


def _curve_rows(drawn: Sequence[Thinned], to_unit: Callable[[float], float]) -> list[dict[str, Any]]:
    return [
        {"t": int(at), "c": to_unit(float(c)), "s": line.name, "p": int(piece)}
        for line in drawn
        for at, c, piece in zip(line.at, line.celsius, line.piece, strict=True)
    ]


def _lone_rows(drawn: Sequence[Thinned], to_unit: Callable[[float], float]) -> list[dict[str, Any]]:
    return [
        {"t": int(line.at[index]), "c": to_unit(float(line.celsius[index])), "s": line.name}
        for line in drawn
        for index in line.lone()
    ]


def _share_axes(layer: dict[str, Any], values: tuple[float, float], unit: str, zone: str) -> None:
    """Every layer that has an x or y in data units carries the same scale and axis, so that they merge."""
    encoding = layer["encoding"]
    if "field" in encoding.get("x", {}):
        encoding["x"] = encoding["x"] | {
            "title": f"Time in {zone}",
            "scale": {
                "domain": [{"expr": "x_from"}, {"expr": "x_to"}],
                "nice": False,
                "zero": False,
            },
            "axis": {
                "values": {"expr": "tick_at"},
                "labelExpr": "tick_words[toString(datum.value)] || ''",
                "grid": True,
                "labelFlush": False,
            },
        }
    if "field" in encoding.get("y", {}):
        encoding["y"] = encoding["y"] | {
            "title": unit,
            "scale": {"domain": list(values), "nice": False, "zero": False},
            "axis": {"titleAngle": 0, "titleAlign": "left", "titleX": -28, "titleY": -10, "tickCount": 7},
        }
