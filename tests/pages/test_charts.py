"""The heat chart as data and as a picture."""

from __future__ import annotations

import re

import pytest

from shared.chart_heat_map import DARK_RAMP, LIGHT_RAMP, heat_map_spec
from shared.chart_theme import DASHES, PALETTES, Palette
from shared.chart_ticks import time_ticks
from shared.charts import heat_curve_spec, render_png, render_svg
from shared.heat.report import OutlookPoint
from shared.piles import FieldNote, Turn
from shared.times import DAY, HOUR, Millis, parse_time, to_datetime
from shared.units import Units
from tests.pages.histories import BUILT, STEP, history, report

TURN = Turn("t1", "pile", Millis(BUILT + 2 * DAY))
FOUND = Turn("t2", "pile", Millis(BUILT + 3 * DAY), source="detected", state="proposed")
DECLINED = Turn("t3", "pile", Millis(BUILT + 4 * DAY), source="detected", state="declined")
NOTES = (
    FieldNote("n1", "pile", "water", Millis(BUILT + 2 * DAY), figures={"litres": 40}),
    FieldNote("n2", "pile", "hand_reading", Millis(BUILT + 3 * DAY), figures={"celsius": 61.0}),
)


def warm(days: int = 6, top: float = 66.0) -> list[float]:
    return [round(top - (top - 12) * 0.97**i, 2) for i in range(days * 144)]


def test_every_depth_differs_in_colour_and_in_dash() -> None:
    for palette in PALETTES.values():
        assert len(set(palette.lines)) == len(palette.lines)
    assert len(set(DASHES)) == len(DASHES) >= len(PALETTES["light"].lines)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_lines_and_words_stand_out_from_the_paper(theme: str) -> None:
    """WCAG 2.2, success criteria 1.4.3 (4.5 to 1 for text) and 1.4.11 (3 to 1 for graphics)."""
    palette: Palette = PALETTES[theme]  # type: ignore[index]  # one of the names above
    for colour in (
        *palette.lines,
        *palette.thresholds,
        palette.ink,
        palette.soft,
        palette.turn,
        palette.mark,
    ):
        assert contrast(colour, palette.paper) >= 4.5, colour
    assert contrast(palette.band, palette.paper) >= 3


def test_the_heat_map_is_told_apart_in_grey() -> None:
    for ramp, rising in ((LIGHT_RAMP, False), (DARK_RAMP, True)):
        light = [luminance(colour) for colour in (ramp[0], ramp[5], ramp[6], ramp[7], ramp[8], ramp[9])]
        assert (sorted(light, reverse=not rising)[0] == light[0]) or not rising
        hot = light[1:]
        assert hot == sorted(hot, reverse=not rising)


def test_all_that_happened_is_on_the_chart() -> None:
    made = history(
        {"15": warm(top=52.0), "75": warm()}, turns=(TURN, FOUND, DECLINED), notes=NOTES,
        suspect={"75": [500]}, missing=range(200, 260),
    )  # fmt: skip
    spec = heat_curve_spec(made, report(made), zone="Europe/Dublin")
    data = spec["datasets"]
    assert [row["word"] for row in data["turns"]] == ["turn 1", "turn?"]
    assert [row["kind"] for row in data["notes"]] == ["water"]
    assert [row["c"] for row in data["hand"]] == [61.0]
    assert [row["s"] for row in data["suspect"]] == ["75 cm"]
    assert data["gaps"] == [{"t": BUILT + 199 * STEP, "end": BUILT + 260 * STEP}]
    assert len({row["p"] for row in data["curve"] if row["s"] == "75 cm"}) == 3
    assert [row["word"] for row in data["thresholds"]] == ["55°  hot enough", "65°  too hot", "70°  turn now"]
    svg = render_svg(spec)
    for word in ("75 cm", "15 cm", "turn 1", "turn?", "water", "too hot", "Time in Europe/Dublin"):
        assert word in svg, word


def test_the_outlook_is_a_band_with_a_line() -> None:
    made = history({"75": warm()})
    known = report(made)
    ahead = [
        OutlookPoint(at=Millis(known.as_of + i * HOUR), c=60.0, low=60.0 - i, high=60.0 + i) for i in range(5)
    ]
    spec = heat_curve_spec(made, known.model_copy(update={"outlook": ahead}))
    assert [row["high"] - row["low"] for row in spec["datasets"]["outlook"]] == [0, 2, 4, 6, 8]
    assert {"area", "line"} <= {
        layer["mark"]["type"] for layer in spec["layer"] if layer["data"]["name"] == "outlook"
    }
    assert spec["params"][1]["value"] == ahead[-1].at


@pytest.mark.parametrize(("units", "rule"), [("celsius", 55.0), ("fahrenheit", 131.0)])
def test_figures_are_in_the_readers_units(units: Units, rule: float) -> None:
    made = history({"75": [50.0] * 50})
    data = heat_curve_spec(made, report(made), units=units)["datasets"]
    assert data["thresholds"][0]["c"] == rule
    assert {row["c"] for row in data["curve"]} == {50.0 if units == "celsius" else 122.0}


def test_a_stretch_is_shown_finer_than_the_whole() -> None:
    wave = [50 + 10 * ((i * 37) % 100) / 100 for i in range(20_000)]
    made = history({"75": wave})
    known = report(made)
    span = (Millis(BUILT + 10 * DAY), Millis(BUILT + 10 * DAY + 12 * HOUR))
    rows = heat_curve_spec(made, known, span=span, points=200)["datasets"]["curve"]
    assert len(rows) == 75


@pytest.mark.parametrize("curves", [{}, {"75": []}, {"75": [20.0]}])
def test_little_or_nothing_is_still_a_picture(curves: dict[str, list[float]]) -> None:
    made = history(curves)
    assert render_svg(heat_curve_spec(made, report(made))).startswith("<svg")
    assert render_svg(heat_map_spec(made, report(made))).startswith("<svg")


def test_a_picture_for_mail_is_a_png() -> None:
    made = history({"75": warm(2)})
    assert render_png(heat_curve_spec(made, report(made), theme="print")).startswith(b"\x89PNG")


def test_a_chart_fetches_nothing() -> None:
    made = history({"75": warm(1)})
    assert "url" not in str(heat_curve_spec(made, report(made))).replace("$schema", "").replace(
        "https://vega", ""
    )


@pytest.mark.parametrize(
    ("start", "days", "midnights"),
    [("2026-03-28T00:00:00Z", 3, 4), ("2026-10-24T00:00:00Z", 3, 3), ("2026-11-01T12:00:00Z", 5, 5)],
)
def test_ticks_stand_at_local_midnights_on_both_clock_change_nights(
    start: str, days: int, midnights: int
) -> None:
    first = parse_time(start)
    ticks = time_ticks(first, Millis(first + days * DAY), "Europe/Dublin", most=8)
    found = [at for at, word in ticks if re.search("[A-Z]", word)]
    assert len(found) == midnights
    assert all(to_datetime(at, "Europe/Dublin").hour == 0 for at in found)


def test_there_are_never_more_ticks_than_fit() -> None:
    for hours in (1, 5, 30, 200, 2_000, 20_000):
        ticks = time_ticks(BUILT, Millis(BUILT + hours * HOUR), "America/New_York", most=6)
        assert len(ticks) <= 9
        assert [at for at, _ in ticks] == sorted({at for at, _ in ticks})


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_forty_lines_name_the_hottest_and_the_coldest_alone() -> None:
    made = history({str(depth): [40.0 + depth / 2] * 200 for depth in range(1, 41)})
    spec = heat_curve_spec(
        made, report(made), units="celsius", zone="UTC", width=1080, height=300, theme="light"
    )
    assert [row["s"] for row in spec["datasets"]["ends"]] == ["1 cm", "40 cm"]
    assert spec["config"]["legend"] == {"disable": True}
    assert "<svg" in render_svg(spec)
