"""What stands on a heat chart beside its lines: turns, notes, stretches without readings, names at the line ends."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from shared.chart_lines import SensorLine, Thinned
from shared.heat.report import HeatReport, ReportTurn
from shared.piles import FieldNote
from shared.times import Millis

Row = dict[str, Any]
NOTE_WORDS = {
    "water": "water",
    "cover": "cover",
    "smell": "smell",
    "squeeze": "squeeze",
    "photo": "photo",
    "remark": "note",
}
_PIXELS_A_LETTER = 7.0
MOST_NAMED = 12  # lines; more have no names of their own and no legend


def turn_rows(turns: Sequence[ReportTurn], span: tuple[Millis, Millis], width: int) -> list[Row]:
    """Confirmed turns numbered from the build; a proposed one carries a question mark; a declined one is not drawn."""
    rows: list[Row] = []
    number = 0
    for turn in sorted(turns, key=lambda turn: turn.at):
        if turn.state == "declined":
            continue
        confirmed = turn.state == "confirmed"
        number += confirmed
        word = f"turn {number}" if confirmed else "turn?"
        if span[0] <= turn.at <= span[1]:
            rows.append({"t": turn.at, "word": word, "sure": confirmed, "note": turn.note})
    return _without_overlap(rows, span, width, short=lambda word: word.removeprefix("turn "))


def note_rows(notes: Sequence[FieldNote], span: tuple[Millis, Millis], width: int) -> list[Row]:
    rows = [
        {"t": note.at, "word": NOTE_WORDS[note.kind], "kind": NOTE_WORDS[note.kind], "note": note.text}
        for note in notes
        if note.kind in NOTE_WORDS and span[0] <= note.at <= span[1]
    ]
    return _without_overlap(rows, span, width, short=lambda _: "")


def hand_rows(notes: Sequence[FieldNote], span: tuple[Millis, Millis], to_unit: Any) -> list[Row]:
    return [
        {"t": note.at, "c": to_unit(float(note.figures["celsius"]))}
        for note in notes
        if note.kind == "hand_reading" and "celsius" in note.figures and span[0] <= note.at <= span[1]
    ]


def gap_rows(lines: Sequence[SensorLine], span: tuple[Millis, Millis], max_gap_ms: int) -> list[Row]:
    """Stretches in which no sensor at all is known."""
    good = [line.at[~line.suspect] for line in lines]
    if not any(len(at) for at in good):
        return []
    at = np.unique(np.concatenate(good))
    wide = np.flatnonzero(np.diff(at) > max_gap_ms)
    stretches = zip(at[wide].tolist(), at[wide + 1].tolist(), strict=True)
    return [
        {"t": max(start, span[0]), "end": min(end, span[1])}
        for start, end in stretches
        if end > span[0] and start < span[1]
    ]


def outlook_rows(report: HeatReport, span: tuple[Millis, Millis], to_unit: Any) -> list[Row]:
    return [
        {"t": p.at, "c": to_unit(p.c), "low": to_unit(p.low), "high": to_unit(p.high)}
        for p in report.outlook
        if span[0] <= p.at <= span[1]
    ]


def end_rows(drawn: Sequence[Thinned], edge: Millis, to_unit: Any, apart: float) -> list[Row]:
    """A name for each line at the right edge, moved up or down until names stand ``apart`` (in the chart's unit)."""
    ends = sorted((to_unit(float(line.celsius[-1])), line.name) for line in drawn if len(line.at))
    if not ends:
        return []
    if len(ends) > MOST_NAMED:  # so many names would cover each other: the hottest and the coldest are named
        ends = [ends[0], ends[-1]]
    places = [ends[0][0]]
    for value, _ in ends[1:]:
        places.append(max(value, places[-1] + apart))
    shift = (places[-1] - ends[-1][0]) / 2
    return [
        {"t": edge, "c": round(place - shift, 2), "s": name}
        for place, (_, name) in zip(places, ends, strict=True)
    ]


def _without_overlap(rows: list[Row], span: tuple[Millis, Millis], width: int, short: Any) -> list[Row]:
    """Where words would run into each other, the shorter word stands; where even that does not fit, none."""
    free_from = -1e9
    for row in rows:
        x = (row["t"] - span[0]) / max(1, span[1] - span[0]) * width
        for word in (row["word"], short(row["word"]), ""):
            half = len(word) * _PIXELS_A_LETTER / 2
            if not word or x - half >= free_from:
                row["word"] = word
                if word:
                    free_from = x + half + 4
                break
    return rows
