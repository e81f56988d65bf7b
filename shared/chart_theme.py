"""Colours, dashes and words of the charts. Every line differs in colour and in dash, so neither is the only sign."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

Theme = Literal["light", "dark", "print"]

DASHES: tuple[tuple[int, ...], ...] = (
    (1, 0),
    (8, 3),
    (2, 2),
    (10, 3, 2, 3),
    (5, 5),
    (14, 4),
    (1, 4),
    (8, 2, 2, 2, 2, 2),
)


@dataclass(frozen=True, slots=True)
class Palette:
    paper: str
    ink: str
    faint: str  # grid and axes
    soft: str  # secondary words
    lines: tuple[str, ...]
    thresholds: tuple[str, str, str]
    turn: str
    mark: str
    band: str
    gap: str


LIGHT = Palette(
    paper="#ffffff",
    ink="#16211b",
    faint="#d5dbd6",
    soft="#4a574f",
    # told apart by lightness as well as hue, so that a colour-blind reader and a grey printer keep them apart
    lines=("#a62c0a", "#0a4f8f", "#00705a", "#7a2f86", "#6a5300", "#1a1a1a", "#b0155a", "#3d6b12"),
    thresholds=("#2f6b3a", "#a65a00", "#b3151f"),
    turn="#16211b",
    mark="#0a4f8f",
    band="#6b7a70",
    gap="#eceeea",
)
DARK = Palette(
    paper="#101613",
    ink="#eef3ef",
    faint="#2f3a34",
    soft="#b4c0b8",
    lines=("#ff9a6b", "#7cc0ff", "#5fdcb8", "#dda2ea", "#e2c65a", "#f4f4f4", "#ff8fc0", "#b4dd7c"),
    thresholds=("#86d396", "#ffb85c", "#ff8a8a"),
    turn="#eef3ef",
    mark="#7cc0ff",
    band="#9aa9a0",
    gap="#1b241f",
)
PALETTES: dict[Theme, Palette] = {"light": LIGHT, "dark": DARK, "print": LIGHT}


def colour_scale(palette: Palette, names: Sequence[str]) -> dict[str, Any]:
    """The Vega-Lite scale from the names of lines to their colours."""
    return {"domain": names, "range": [palette.lines[i % len(palette.lines)] for i in range(len(names))]}


def told_apart(palette: Palette, names: Sequence[str]) -> dict[str, Any]:
    """The encodings that tell the lines of field ``s`` apart; a new ``p`` breaks a line."""
    dashes = [list(DASHES[i % len(DASHES)]) for i in range(len(names))]
    nominal = {"field": "s", "type": "nominal", "title": None}
    return {
        "color": nominal | {"scale": colour_scale(palette, names)},
        "strokeDash": nominal | {"scale": {"domain": names, "range": dashes}},
        "detail": {"field": "p", "type": "nominal"},
    }


def config(palette: Palette) -> dict[str, Any]:
    """The Vega-Lite ``config`` block."""
    font = "system-ui, sans-serif"
    return {
        "background": palette.paper,
        "font": font,
        "view": {"stroke": None},
        "axis": {
            "labelColor": palette.ink,
            "titleColor": palette.soft,
            "gridColor": palette.faint,
            "domainColor": palette.soft,
            "tickColor": palette.soft,
            "labelFontSize": 12,
            "titleFontSize": 12,
            "titleFontWeight": "normal",
        },
        "legend": {
            "labelColor": palette.ink,
            "titleColor": palette.soft,
            "labelFontSize": 13,
            "titleFontSize": 12,
            "titleFontWeight": "normal",
            "symbolSize": 500,
            "symbolStrokeWidth": 2.5,
            "orient": "top",
            "direction": "horizontal",
            "title": None,
        },
    }
