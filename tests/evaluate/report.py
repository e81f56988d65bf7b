"""The report as Markdown with a table for each question, and its plots."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import vl_convert

from tests.evaluate.ahead import HORIZONS_H, WAYS, Errors
from tests.evaluate.sets import FIRST_SEED, TUNED_BELOW
from tests.evaluate.turns import Score

HEAD = f"""# What the outlook and the turn finder are worth

Made by `make evaluate`. **Every figure of a simulated set comes from simulated piles; none is evidence about a real
pile.** The only real record here is a stockpile of broiler litter (J. N. Kamp and A. Feilberg, Aarhus University,
CC BY 4.0). The figures of the outlook and of the finder were chosen on seeds below {TUNED_BELOW:,}; this runs on seeds
from {FIRST_SEED:,} on, of the same kinds of pile. `cardinal` and `Ratkowsky` are kinetics that the outlook's two heat
balances themselves assume: their rows flatter the outlook. `Haug` is another, which neither assumes; errors of all three
on tuning seeds gave the expectations that a pile's own errors then correct.
"""


TURNS = (
    "A find within six hours of a turn is that turn, once. Delay: from the turn until it was proposed, with probes that "
    "lie outside or send nothing for a while at most turns."
)
OUTLOOK = (
    "Mean absolute error in K of the hottest core sensor; share = outlook / persistence; band = how often the truth lay "
    "within the 80 % band, and its mean width; score = the width and ten times what the truth lay outside by, so that neither "
    "a wide nor a narrow band pays. Left out: the first 48 h, two hours after a turn, stretches with a turn in "
    "them, and stretches in which the followed sensor died."
)


def turns_table(scores: dict[str, Score]) -> list[str]:
    lines = [
        "## Turns that nobody logged",
        "",
        TURNS,
        "",
        "| set | turns | precision | recall | delay h (median, 90 %) | time off h (median, 90 % of sizes) |",
        "|---|---|---|---|---|---|",
    ]
    for name, one in scores.items():
        count = one.right + one.missed
        if not count:
            lines.append(f"| {name} | 0 | {one.wrong} invented | - | - | - |")
            continue
        if not one.right + one.wrong:
            lines.append(f"| {name} | {count} | none proposed | 0.000 | - | - |")
            continue
        delay = _two(one.delays_h, 50, 90) if one.delays_h else "-"
        off = f"{np.median(one.off_h):+.1f}, {np.percentile(np.abs(one.off_h), 90):.1f}" if one.off_h else "-"
        lines.append(f"| {name} | {count} | {one.precision:.3f} | {one.recall:.3f} | {delay} | {off} |")
    return [*lines, ""]


def _two(values: tuple[float, ...], one: float, other: float) -> str:
    return f"{np.percentile(values, one):.1f}, {np.percentile(values, other):.1f}"


def outlook_table(sets: dict[str, Errors]) -> list[str]:
    lines = [
        "## Outlook",
        "",
        OUTLOOK,
        "",
        "| set | hours | n | outlook | persistence | line of 3 h | damped trend | share | band | width K | score K |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name, errors in sets.items():
        for hours in HORIZONS_H:
            mine = errors.horizon_h == hours
            if not mine.any():
                lines.append(f"| {name} | {hours} | 0 | - | - | - | - | - | - | - | - |")
                continue
            mae = np.abs(errors.off[mine]).mean(axis=0)
            cells = [f"{one:.2f}" for one in (*mae, mae[0] / mae[1])]
            lines.append(
                f"| {name} | {hours} | {int(mine.sum())} | {' | '.join(cells)} | {errors.inside[mine].mean():.1%} | "
                f"{errors.width[mine].mean():.1f} | {errors.score[mine].mean():.1f} |"
            )
    return [*lines, ""]


def aims(sets: dict[str, Errors], scores: dict[str, Score]) -> list[str]:
    """Each aim beside what was measured, whether met or not."""
    lines = ["## Aims", "", "| aim | measured | met |", "|---|---|---|"]
    for name, least_precision, least_recall in (
        ("three depths, 10 min", 0.97, 0.93),
        ("core alone, 30 min", 0.92, 0.88),
    ):
        some = [one for label, one in scores.items() if name in label]
        worst = min(one.precision for one in some), min(one.recall for one in some)
        met = "yes" if worst[0] >= least_precision and worst[1] >= least_recall else "no"
        lines.append(
            f"| found turns, {name}: precision {least_precision}, recall {least_recall} on every set | "
            f"worst {worst[0]:.3f}, {worst[1]:.3f} | {met} |"
        )
    for name, errors in sets.items():
        mine = errors.horizon_h == 24
        mae = np.abs(errors.off[mine]).mean(axis=0)
        share, band = float(mae[0] / mae[1]), float(errors.inside[mine].mean())
        met = "yes" if share <= 0.65 and 0.78 <= band <= 0.84 else "no"
        lines.append(
            f"| 24 h at most 0.65 of persistence, band 78-84 %: {name} | {share:.2f}, {band:.1%} | {met} |"
        )
    return [*lines, ""]


def plots(folder: Path, sets: dict[str, Errors]) -> list[str]:
    rows = [
        {"set": name, "hours": hours, "way": way, "mae": float(np.abs(errors.off[mine, number]).mean())}
        for name, errors in sets.items()
        for hours in HORIZONS_H
        for mine in [errors.horizon_h == hours]
        if mine.any()
        for number, way in enumerate(WAYS)
        if way != "line of 3 h"
    ]
    bands = [
        {"set": name, "hours": hours, "inside": float(errors.inside[mine].mean())}
        for name, errors in sets.items()
        for hours in HORIZONS_H
        for mine in [errors.horizon_h == hours]
        if mine.any()
    ]
    hours_axis = {"field": "hours", "type": "ordinal", "title": "hours ahead"}
    error = {
        "data": {"values": rows},
        "mark": {"type": "line", "point": True},
        "encoding": {
            "x": hours_axis,
            "y": {"field": "mae", "type": "quantitative", "title": "mean absolute error, K"},
            "color": {"field": "way", "type": "nominal", "title": None},
            "facet": {"field": "set", "columns": 4, "title": None},
        },
        "resolve": {"scale": {"y": "independent"}},
        "width": 150,
        "height": 110,
    }
    band = {
        "layer": [
            {"mark": {"type": "rect", "opacity": 0.2}, "data": {"values": [{"low": 0.78, "high": 0.84}]},
             "encoding": {"y": {"field": "low", "type": "quantitative"}, "y2": {"field": "high"}}},
            {"mark": {"type": "line", "point": True}, "data": {"values": bands},
             "encoding": {"x": hours_axis,
                          "y": {"field": "inside", "type": "quantitative", "title": "truth within the 80 % band",
                                "scale": {"domain": [0.6, 1.0]}},
                          "color": {"field": "set", "type": "nominal", "title": None}}},
        ],
        "width": 420,
        "height": 240,
    }  # fmt: skip
    for name, spec in (("error.svg", error), ("band.svg", band)):
        full = {"$schema": "https://vega.github.io/schema/vega-lite/v6.json", "background": "white", **spec}
        (folder / name).write_text(vl_convert.vegalite_to_svg(full, allowed_base_urls=[]), "utf-8")
    return ["## Plots", "", "![Error of each way](error.svg)", "", "![Band](band.svg)", ""]
