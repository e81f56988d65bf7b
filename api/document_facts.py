"""What the batch record says, as text in the person's units and zone: the template only lays it out."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from api.document_rules import rule_cards
from api.document_words import DEFINITIONS, NO_CLAIM
from shared.heat.cautions import cautions
from shared.heat.report import THRESHOLDS_C, Extreme, HeatCycle, HeatReport, SensorHeat
from shared.heat.screening import Reason
from shared.piles import Pile
from shared.spoken import depth_words
from shared.times import HOUR, MINUTE, Millis, iso, to_datetime
from shared.units import fahrenheit, temperature_text

if TYPE_CHECKING:
    from api.documents import Setting
    from shared.heat_book import PileHistory

NONE = "–"
GAPS_SHOWN = 30


def batch_data(report: HeatReport, history: PileHistory, pile: Pile, setting: Setting) -> dict[str, Any]:
    words = _Words(setting)
    gaps = _gaps(report, history, words)
    cards = rule_cards(report, setting.rules, words.time)
    gap = f"{report.max_gap_minutes:g}"
    return {
        "title": setting.title,
        "paper": setting.paper,
        "written": f"times in {setting.zone}; state of {words.time(report.as_of)}",
        "footer": NO_CLAIM,
        "facts": _facts(report, pile, words),
        "level": report.risk.level,
        "chart_words": _chart_words(history),
        "thresholds": [words.threshold(t) for t in THRESHOLDS_C],
        "hours": _hours(report, words),
        "hours_words": (
            f"Hours in {words.unit}. Hottest: while any core sensor is at or over it; coldest: while every placed core "
            f"sensor is known and at or over it. Straight lines between readings at most {gap} min apart; gaps count "
            "as nothing."
        ),
        "cycle_head": f"h at or over {words.threshold(55)}",
        "cycles": [
            [
                words.time(cycle.from_), words.time(cycle.to), _h(cycle.hours_above_55), words.temperature(cycle.peak_c),
                NONE if cycle.load is None else f"{cycle.load:.2f}",
                _counts(cycle),
            ]
            for cycle in report.cycles
        ],
        "rules": cards.on_page,
        "rules_words": cards.words,
        "readings": cards.in_appendix,
        "cautions": report.cautions,
        "cautions_all": report.cautions or cautions("none", opens_pile=True),
        "sensors": [_sensor(sensor, words) for sensor in report.sensors],
        "sensors_words": f"Good: readings that the sums use; left out: shown but not used. h = hours at or over, {words.unit}.",
        "left_out": list(_left_out(report)),
        "max_gap": gap,
        "gaps": [row for _, row in gaps[:GAPS_SHOWN]],
        "gaps_words": f"The longest {GAPS_SHOWN} of {len(gaps)}." if len(gaps) > GAPS_SHOWN else "",
        "more": list(_more(report)),
        "definitions": [text.format(gap=gap) for text in DEFINITIONS],
        "data_words": " ".join([*setting.basis, setting.hash_words or HASH_WORDS]),
        "hash": setting.data_hash or data_hash(history),
    }  # fmt: skip


HASH_WORDS = (
    "The hash below is the SHA-256 of one line of UTF-8 text for each reading, ended by a line feed: probe, depth, time "
    "(ISO 8601 UTC) and °C as stored after calibration, divided by commas; sensors in order of probe and depth, each in "
    "order of time."
)


def data_hash(history: PileHistory) -> str:
    digest = hashlib.sha256()
    for sensor in sorted(
        history.sensors, key=lambda one: (one.key.probe, one.key.depth, one.placement.span.start)
    ):
        where = f"{sensor.key.probe},{sensor.key.depth}"
        for at, celsius in zip(sensor.at.tolist(), sensor.celsius.tolist(), strict=True):
            digest.update(f"{where},{iso(Millis(at))},{celsius!r}\n".encode())
    return digest.hexdigest()


class _Words:
    def __init__(self, setting: Setting) -> None:
        self.zone, self.units = setting.zone, setting.units
        self.site = setting.site
        self.unit = "°F" if setting.units == "fahrenheit" else "°C"

    def time(self, at: Millis | None) -> str:
        return NONE if at is None else to_datetime(at, self.zone).strftime("%Y-%m-%d %H:%M")

    def temperature(self, celsius: float | None) -> str:
        return NONE if celsius is None else temperature_text(celsius, self.units)

    def threshold(self, celsius: float) -> str:
        return f"{fahrenheit(celsius):.0f} °F" if self.units == "fahrenheit" else f"{celsius:g} °C"


def _counts(cycle: HeatCycle) -> str:
    if cycle.counts is None:
        return cycle.why or "still running"
    return ("yes" if cycle.counts else "no") + (f": {cycle.why}" if cycle.why else "")


def _h(hours: float | None) -> str:
    return NONE if hours is None else f"{hours:.1f}"


def _name(sensor: SensorHeat) -> str:
    where = depth_words(sensor.depth_cm, sensor.level) if sensor.depth_cm is not None or sensor.level else ""
    return sensor.probe if not where or where in sensor.probe else f"{sensor.probe}, {where}"


def _facts(report: HeatReport, pile: Pile, words: _Words) -> list[list[tuple[str, str]]]:
    firsts = [sensor.first_at for sensor in report.sensors if sensor.first_at is not None]
    lasts = [sensor.last_at for sensor in report.sensors if sensor.last_at is not None]
    counted = [turn for turn in report.turns if turn.state == "confirmed"]
    readings = sum(sensor.readings for sensor in report.sensors)
    suspect = sum(sensor.suspect for sensor in report.sensors)
    left = [
        ("site", words.site or NONE),
        ("pile", pile.peg or NONE),
        ("built", words.time(report.built_at)),
        ("finished", words.time(pile.finished_at)),
        ("kind, volume", ", ".join(_kind(pile)) or NONE),
    ]
    right = [
        ("record", f"{words.time(min(firsts, default=None))} to {words.time(max(lasts, default=None))}"),
        (
            "readings",
            f"{readings} of {len(report.sensors)} sensors" + (f", {suspect} left out" if suspect else ""),
        ),
        ("turns", f"{len(counted)} recorded" if counted else "none recorded"),
        ("phase", f"{report.phase}; hottest core {words.temperature(report.hottest.now_c)}"),
        ("running hot", report.risk.level + (f": {report.risk.reasons[0]}" if report.risk.reasons else "")),
    ]
    return [left, right]


def _kind(pile: Pile) -> Iterable[str]:
    if pile.kind:
        yield pile.kind
    if pile.volume_l:
        yield f"{pile.volume_l / 1000:.3g} m³"


def _chart_words(history: PileHistory) -> str:
    depths = len({(sensor.key.probe, sensor.key.depth) for sensor in history.sensors})
    return (
        f"The curve at {depths} sensors: lines break where nothing is known and at recorded turns; "
        "thresholds, turns, gaps and readings left out are drawn."
    )


def _hours(report: HeatReport, words: _Words) -> list[dict[str, Any]]:
    rows: list[tuple[str, Extreme, bool]] = [
        ("hottest of the core, in all", report.hottest, False),
        ("hottest of the core, longest stretch", report.hottest, True),
        ("coldest of the core, in all", report.coldest, False),
        ("coldest of the core, longest stretch", report.coldest, True),
    ]
    return [
        {
            "name": name,
            "cells": [
                _h((extreme.longest_spell_hours if longest else extreme.hours_above).get(str(t))) for t in THRESHOLDS_C
            ],
            "peak": "" if longest else words.temperature(extreme.peak_c),
        }
        for name, extreme, longest in rows
    ]  # fmt: skip


def _sensor(sensor: SensorHeat, words: _Words) -> list[str]:
    return [
        _name(sensor), sensor.zone, str(sensor.readings), str(sensor.suspect),
        words.time(sensor.first_at), words.time(sensor.last_at),
        *(_h(sensor.hours_above.get(str(t))) for t in THRESHOLDS_C), _h(sensor.gap_hours),
    ]  # fmt: skip


def _left_out(report: HeatReport) -> Iterable[str]:
    for sensor in report.sensors:
        if sensor.suspect_reasons:
            reasons = ", ".join(
                f"{count} {why.replace('_', ' ')}" for why, count in sensor.suspect_reasons.items()
            )
            yield f"{_name(sensor)}: left out {reasons}."
        if sensor.fault:
            yield f"{_name(sensor)}: {sensor.fault}"
        if sensor.left_out:
            yield f"{_name(sensor)}: the coldest does not ask it: {sensor.left_out}"


def _gaps(report: HeatReport, history: PileHistory, words: _Words) -> list[tuple[int, list[str]]]:
    """The stretches between two good readings longer than the longest line, longest first."""
    longest = round(report.max_gap_minutes * MINUTE)
    rows = []
    for sensor in history.sensors:
        name = f"{sensor.key.probe} {depth_words(sensor.key.depth_cm, sensor.key.depth or None)}"
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


def _more(report: HeatReport) -> Iterable[str]:
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
