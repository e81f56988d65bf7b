"""The rows of the batch record's appendix."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from api.document_words import Words, sensor_name
from shared.build_record import BUILD, CHECKED
from shared.heat.report import HeatReport, ReportTurn
from shared.heat.screening import Reason
from shared.piles import FieldNote
from shared.readings import SensorKey
from shared.spoken import depth_words
from shared.times import HOUR, MINUTE, Millis

if TYPE_CHECKING:
    from shared.heat_book import PileHistory

ROWS_SHOWN = 30
LOG_SHOWN = 500


def _name(key: SensorKey) -> str:
    where = depth_words(key.depth_cm, key.depth) if key.depth else ""
    return f"{key.probe} {where}".strip()


def left_out(report: HeatReport) -> Iterable[str]:
    for sensor in report.sensors:
        if sensor.suspect_reasons:
            reasons = ", ".join(
                f"{count} {why.replace('_', ' ')}" for why, count in sensor.suspect_reasons.items()
            )
            yield f"{sensor_name(sensor)}: left out {reasons}."
        if sensor.fault:
            yield f"{sensor_name(sensor)}: {sensor.fault}"
        if sensor.left_out:
            yield f"{sensor_name(sensor)}: the coldest does not ask it: {sensor.left_out}"


def gaps(report: HeatReport, history: PileHistory, words: Words) -> list[tuple[int, list[str]]]:
    """The stretches between two good readings longer than the longest line, longest first."""
    longest = round(report.max_gap_minutes * MINUTE)
    rows = []
    for sensor in history.sensors:
        name = _name(sensor.key)
        at = [int(one) for one in sensor.at[sensor.reason == Reason.GOOD]]
        rows += [
            (
                end - start,
                [name, words.time(Millis(start)), words.time(Millis(end)), f"{(end - start) / HOUR:.1f}"],
            )
            for start, end in pairwise(at)
            if end - start > longest
        ]
    return sorted(rows, key=lambda row: (-row[0], row[1]))


def log(report: HeatReport, history: PileHistory, words: Words) -> list[tuple[int, list[str]]]:
    """What people did and saw, by time: turns and notes."""
    by = {turn.id: turn.by for turn in history.turns}
    rows = [
        (int(turn.at), [words.time(turn.at), "turn", by.get(turn.id or "", ""), _turn_words(turn)])
        for turn in report.turns
    ] + [
        (int(note.at), [words.time(note.at), _kind(note), note.by, _note_words(note, words)])
        for note in history.notes
        if BUILD not in note.figures and CHECKED not in note.figures
    ]
    return sorted(rows, key=lambda row: row[0])


def _kind(note: FieldNote) -> str:
    return note.kind.replace("_", " ")


def _turn_words(turn: ReportTurn) -> str:
    found = "" if turn.source == "logged" else f"found in the curve, {turn.state}"
    return "; ".join(part for part in (found, turn.note) if part)


def _note_words(note: FieldNote, words: Words) -> str:
    figures = note.figures
    parts = [str(figures[name]) for name in ("feel", "smell") if figures.get(name)]
    if isinstance(celsius := figures.get("celsius"), int | float):
        depth = figures.get("depth_cm")
        at = f" at {depth:g} cm" if isinstance(depth, int | float) else ""
        parts.append(f"{words.temperature(float(celsius))}{at}")
    if isinstance(litres := figures.get("litres"), int | float):
        parts.append(f"{litres:g} L")
    if figures.get("smoke"):
        parts.append("smoke")
    return "; ".join(part for part in (", ".join(parts), note.text) if part)


def suspects(history: PileHistory, words: Words) -> list[tuple[int, list[str]]]:
    """Every reading that the sums leave out, by time."""
    rows = []
    for sensor in history.sensors:
        name = _name(sensor.key)
        for index in np.flatnonzero(sensor.reason != Reason.GOOD):
            at, celsius = Millis(int(sensor.at[index])), float(sensor.celsius[index])
            value = words.temperature(celsius) if math.isfinite(celsius) else "no number"
            rows.append(
                (
                    int(at),
                    [name, words.time(at), value, Reason(int(sensor.reason[index])).text.replace("_", " ")],
                )
            )
    return sorted(rows)


def of_many(rows: Sequence[object]) -> str:
    return f"The first {ROWS_SHOWN} of {len(rows)}." if len(rows) > ROWS_SHOWN else ""


def more(report: HeatReport) -> Iterable[str]:
    if report.lethality_index is not None:
        yield (
            f"Lethality index {report.lethality_index:.3g}: the sum of dt / D(t) over the time at 50 °C or more, D(t) days "
            "= 131 700 000 / 10^(0.1400 t), 40 CFR 503.32(a)(3) as copied in 15A NCAC 02T .1106. Information only, never "
            "a pass; guidance excludes composting from this alternative."
        )
    if report.never_hot_share is not None:
        low, high = report.never_hot_share
        yield f"Estimated share that was never hot: {low:.1%} to {high:.1%}. {report.never_hot_note}"
    if report.turn.why:
        yield f"Turning guide {report.turn.guide}: {report.turn.why}"
    for reason in report.risk.reasons:
        yield f"Running hot, {report.risk.level}: {reason}."
