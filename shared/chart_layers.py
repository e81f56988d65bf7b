"""The layers of the heat chart as Vega-Lite data; what they draw comes from named datasets."""

from __future__ import annotations

from typing import Any

from shared.chart_theme import Palette, colour_scale, told_apart

Layer = dict[str, Any]

_X: Layer = {"field": "t", "type": "quantitative"}
_X2: Layer = {"field": "end"}
_Y: Layer = {"field": "c", "type": "quantitative"}


def curve_layers(palette: Palette, names: list[str], unit: str) -> list[Layer]:
    """Back to front."""
    return [
        _gaps(palette),
        *_outlook(palette),
        _threshold_rules(palette),
        *_turns(palette),
        _lines(palette, names, unit),
        _lone(palette, names),
        _suspect(palette, names),
        _hand(palette),
        *_notes(palette),
        *_threshold_words(palette),
        *_ends(palette, names),
    ]


def _lines(palette: Palette, names: list[str], unit: str) -> Layer:
    return {
        "data": {"name": "curve"},
        "mark": {"type": "line", "strokeWidth": 2, "clip": True},
        "encoding": {"x": _X, "y": _Y | {"title": unit}} | told_apart(palette, names),
    }


def _lone(palette: Palette, names: list[str]) -> Layer:
    """A reading with no neighbour near enough for a line."""
    return {
        "data": {"name": "lone"},
        "mark": {"type": "point", "filled": True, "size": 40, "opacity": 1, "clip": True},
        "encoding": {
            "x": _X,
            "y": _Y,
            "color": {"field": "s", "type": "nominal", "scale": colour_scale(palette, names), "legend": None},
        },
    }


def _suspect(palette: Palette, names: list[str]) -> Layer:
    return {
        "data": {"name": "suspect"},
        "mark": {
            "type": "point",
            "filled": False,
            "size": 46,
            "strokeWidth": 1.5,
            "opacity": 1,
            "clip": True,
            "shape": "circle",
        },
        "encoding": {
            "x": _X,
            "y": _Y,
            "color": {"field": "s", "type": "nominal", "scale": colour_scale(palette, names), "legend": None},
        },
    }


def _hand(palette: Palette) -> Layer:
    return {
        "data": {"name": "hand"},
        "mark": {
            "type": "point",
            "shape": "diamond",
            "filled": True,
            "size": 110,
            "color": palette.ink,
            "stroke": palette.paper,
            "strokeWidth": 1.5,
            "opacity": 1,
            "clip": True,
        },
        "encoding": {"x": _X, "y": _Y},
    }


def _gaps(palette: Palette) -> Layer:
    return {
        "data": {"name": "gaps"},
        "mark": {"type": "rect", "color": palette.gap, "opacity": 1, "clip": True},
        "encoding": {"x": _X, "x2": _X2, "y": {"value": 0}, "y2": {"value": {"expr": "height"}}},
    }


def _outlook(palette: Palette) -> list[Layer]:
    return [
        {
            "data": {"name": "outlook"},
            "mark": {"type": "area", "color": palette.band, "opacity": 0.25, "clip": True},
            "encoding": {
                "x": _X,
                "y": {"field": "low", "type": "quantitative"},
                "y2": {"field": "high"},
            },
        },
        {
            "data": {"name": "outlook"},
            "mark": {
                "type": "line",
                "color": palette.band,
                "strokeDash": [3, 3],
                "strokeWidth": 2,
                "clip": True,
            },
            "encoding": {"x": _X, "y": _Y},
        },
    ]


def _threshold_colour(palette: Palette) -> Layer:
    return {
        "field": "rank",
        "type": "ordinal",
        "scale": {"domain": [0, 1, 2], "range": list(palette.thresholds)},
        "legend": None,
    }


def _threshold_rules(palette: Palette) -> Layer:
    dashes = {"domain": [0, 1, 2], "range": [[2, 3], [7, 4], [1, 0]]}
    return {
        "data": {"name": "thresholds"},
        "mark": {"type": "rule", "strokeWidth": 1.2},
        "encoding": {
            "y": _Y,
            "color": _threshold_colour(palette),
            "strokeDash": {"field": "rank", "type": "ordinal", "scale": dashes, "legend": None},
        },
    }


def _threshold_words(palette: Palette) -> list[Layer]:
    """Twice: the same words in paper colour underneath keep them readable where a line crosses them."""
    words = {"type": "text", "align": "left", "baseline": "bottom", "dx": 5, "dy": -2, "fontSize": 12}
    place = {"x": {"value": 0}, "y": _Y, "text": {"field": "word", "type": "nominal"}}
    halo = {"stroke": palette.paper, "strokeWidth": 4, "strokeJoin": "round", "color": palette.paper}
    return [
        {"data": {"name": "thresholds"}, "mark": words | halo, "encoding": place},
        {
            "data": {"name": "thresholds"},
            "mark": words,
            "encoding": place | {"color": _threshold_colour(palette)},
        },
    ]


def _turns(palette: Palette) -> list[Layer]:
    sure = {
        "field": "sure",
        "type": "nominal",
        "scale": {"domain": [True, False], "range": [[1, 0], [3, 3]]},
        "legend": None,
    }
    return [
        {
            "data": {"name": "turns"},
            "mark": {"type": "rule", "color": palette.turn, "strokeWidth": 1.3, "clip": True},
            "encoding": {"x": _X, "strokeDash": sure},
        },
        {
            "data": {"name": "turns"},
            "mark": {
                "type": "text",
                "color": palette.turn,
                "baseline": "bottom",
                "fontSize": 12,
                "dy": -4,
            },
            "encoding": {"x": _X, "y": {"value": 0}, "text": {"field": "word", "type": "nominal"}},
        },
    ]


def _notes(palette: Palette) -> list[Layer]:
    kinds = ["water", "cover", "smell", "squeeze", "photo", "note"]
    shapes = ["triangle-down", "square", "triangle-up", "diamond", "cross", "circle"]
    return [
        {
            "data": {"name": "notes"},
            "mark": {"type": "point", "filled": True, "color": palette.mark, "size": 70, "opacity": 1},
            "encoding": {
                "x": _X,
                "y": {"value": {"expr": "height - 7"}},
                "shape": {
                    "field": "kind",
                    "type": "nominal",
                    "scale": {"domain": kinds, "range": shapes},
                    "legend": None,
                },
            },
        },
        {
            "data": {"name": "notes"},
            "mark": {
                "type": "text",
                "color": palette.mark,
                "baseline": "bottom",
                "dy": -8,
                "fontSize": 11,
            },
            "encoding": {
                "x": _X,
                "y": {"value": {"expr": "height - 7"}},
                "text": {"field": "word", "type": "nominal"},
            },
        },
    ]


def _ends(palette: Palette, names: list[str]) -> list[Layer]:
    words = {"type": "text", "align": "left", "baseline": "middle", "dx": 5, "fontSize": 12, "clip": False}
    place = {"x": _X, "y": _Y, "text": {"field": "s", "type": "nominal"}}
    colour = {"field": "s", "type": "nominal", "scale": colour_scale(palette, names), "legend": None}
    return [
        {
            "data": {"name": "ends"},
            "mark": words | {"stroke": palette.paper, "strokeWidth": 4, "color": palette.paper},
            "encoding": place,
        },
        {"data": {"name": "ends"}, "mark": words, "encoding": place | {"color": colour}},
    ]
